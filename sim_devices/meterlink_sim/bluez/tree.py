"""The objects that a D-Bus service shows: paths, interfaces, properties, and the signals that tell of their changes."""

from collections.abc import Callable, Mapping, Sequence

from dbus_fast import Message, MessageType, Variant

OBJECT_MANAGER = "org.freedesktop.DBus.ObjectManager"
PROPERTIES = "org.freedesktop.DBus.Properties"

Properties = dict[str, Variant]


class Tree:
    """The service's objects. Every change is sent as the signal that the D-Bus specification asks for."""

    def __init__(self, send: Callable[[Message], object]) -> None:
        self._send = send
        self._objects: dict[str, dict[str, Properties]] = {}

    @property
    def managed(self) -> Mapping[str, Mapping[str, Properties]]:
        """All objects, as `GetManagedObjects` returns them."""
        return self._objects

    def __contains__(self, path: str) -> bool:
        return path in self._objects

    def add(self, path: str, interface: str, properties: Properties) -> None:
        """Show an object."""
        self._objects[path] = {interface: properties}
        self._signal("/", OBJECT_MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, self._objects[path]])

    def remove(self, path: str) -> None:
        """Take an object away, and whatever lies below it first."""
        for below in sorted((other for other in self._objects if other.startswith(f"{path}/")), reverse=True):
            self._remove_one(below)
        if path in self._objects:
            self._remove_one(path)

    def get(self, path: str, interface: str, name: str) -> object:
        """Return the value of a property."""
        return self._objects[path][interface][name].value

    def change(self, path: str, interface: str, **values: Variant) -> None:
        """Change properties. The signal goes out also where the value stays the same."""
        self._objects[path][interface].update(values)
        self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, values, []])

    def invalidate(self, path: str, interface: str, name: str) -> None:
        """Take a property away."""
        if self._objects[path][interface].pop(name, None) is not None:
            self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, {}, [name]])

    def _remove_one(self, path: str) -> None:
        interfaces = list(self._objects.pop(path))
        self._signal("/", OBJECT_MANAGER, "InterfacesRemoved", "oas", [path, interfaces])

    def _signal(self, path: str, interface: str, member: str, signature: str, body: Sequence[object]) -> None:
        self._send(
            Message(
                message_type=MessageType.SIGNAL,
                path=path,
                interface=interface,
                member=member,
                signature=signature,
                body=list(body),
            )
        )
