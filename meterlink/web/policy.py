"""What a page's content may load and do: a strict Content-Security-Policy, to which a page may add what it needs."""

from collections.abc import Sequence

_BASE: dict[str, tuple[str, ...]] = {
    "default-src": ("'none'",),
    "script-src": ("'self'",),
    "style-src": ("'self'",),
    "img-src": ("'self'",),
    "connect-src": ("'self'",),
    "media-src": ("'self'",),
    "base-uri": ("'none'",),
    "form-action": ("'none'",),
    "frame-ancestors": ("'none'",),
    "require-trusted-types-for": ("'script'",),
    "trusted-types": ("'none'",),
}

_NEVER = (
    "'unsafe-inline'",
    "'unsafe-eval'",
    "'unsafe-hashes'",
    "'wasm-unsafe-eval'",
    "*",
    "data:",
    "blob:",
    "http:",
    "https:",
)
"""Sources that would let script of another's making run, or a page be framed."""

_GUARDED = ("default-src", "script-src", "frame-ancestors", "base-uri", "require-trusted-types-for")


def content_policy(**more: Sequence[str]) -> str:
    """Return the header's value for a page; a response that carries none gets that without additions.

    Args:
        more: what a page needs beyond the rest, by directive with `_` for `-`: `style_src=["'unsafe-inline'"]`,
            `img_src=["data:"]`, `worker_src=["blob:"]`, `form_action=["'self'"]`, `trusted_types=["chart"]`. Where a
            directive says `'none'`, the addition takes its place.

    Raises:
        ValueError: an addition would let script of another's making run, or the page be framed.
    """
    directives = dict(_BASE)
    for name, sources in more.items():
        directive = name.replace("_", "-")
        if directive in _GUARDED and set(sources) & set(_NEVER):
            raise ValueError(f"{directive} may not have {' '.join(sources)}")
        before = tuple(source for source in directives.get(directive, ()) if source != "'none'")
        directives[directive] = (*before, *sources)
    return "; ".join(f"{directive} {' '.join(sources)}" for directive, sources in directives.items())
