/* What this browser was told before. One that keeps nothing asks again next time. */

/** What was remembered; null for nothing. */
export function remembered(name) {
  try {
    return localStorage.getItem(`steadypoint.${name}`);
  } catch {
    return null;
  }
}

export function remember(name, value) {
  try {
    localStorage.setItem(`steadypoint.${name}`, value);
  } catch {
    // It keeps nothing.
  }
}

/** Let a switch or a list stand as it was left, and call `changed` when it is changed. */
export function keptControl(element, changed) {
  const isSwitch = element.type === "checkbox";
  const before = remembered(element.id);
  if (isSwitch) element.checked = before === "yes";
  else if (before && [...element.options].some((option) => option.value === before)) element.value = before;
  element.addEventListener("change", () => {
    remember(element.id, isSwitch ? (element.checked ? "yes" : "no") : element.value);
    changed();
  });
}
