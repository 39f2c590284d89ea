"""A Bluetooth LE peripheral as the computer sees it: what it advertises, and its table of services."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from dbus_fast import Variant

from meterlink_sim.bluez.tree import Tree

DEVICE = "org.bluez.Device1"
SERVICE = "org.bluez.GattService1"
CHARACTERISTIC = "org.bluez.GattCharacteristic1"


@dataclass(slots=True)
class Characteristic:
    """One characteristic."""

    uuid: str
    flags: tuple[str, ...] = ("notify",)
    value: bytes = b""
    """What a read returns."""


@dataclass(slots=True)
class Peripheral:
    """A meter, or whatever else is in the air."""

    address: str
    services: Mapping[str, tuple[Characteristic, ...]] = field(default_factory=dict)
    name: str = "METER"
    advertised: tuple[str, ...] = ()
    """UUIDs of services in its advertisement; after connecting all of them are known anyway."""
    on_write: Callable[[str, bytes], None] | None = None
    """Called with the characteristic's UUID and the bytes of each write."""
    paired: bool = False

    def path(self, adapter: str) -> str:
        """The object path under an adapter."""
        return f"{adapter}/dev_{self.address.replace(':', '_')}"

    def show(self, tree: Tree, adapter: str) -> None:
        """Let the device appear, not connected."""
        properties = {
            "Address": Variant("s", self.address),
            "AddressType": Variant("s", "public"),
            "Name": Variant("s", self.name),
            "Alias": Variant("s", self.name),
            "Adapter": Variant("o", adapter),
            "Connected": Variant("b", False),
            "Paired": Variant("b", self.paired),
            "Trusted": Variant("b", False),
            "ServicesResolved": Variant("b", False),
            "UUIDs": Variant("as", list(self.advertised)),
        }
        tree.add(self.path(adapter), DEVICE, properties)

    def show_services(self, tree: Tree, adapter: str) -> None:
        """Let the table of services appear. Handles count up from 0x10; bleak cuts paths at four digits."""
        device = self.path(adapter)
        handle = 0x10
        for uuid, characteristics in self.services.items():
            service = f"{device}/service{handle:04x}"
            tree.add(
                service,
                SERVICE,
                {"UUID": Variant("s", uuid), "Device": Variant("o", device), "Primary": Variant("b", True)},
            )
            for characteristic in characteristics:
                handle += 2
                tree.add(
                    f"{service}/char{handle:04x}",
                    CHARACTERISTIC,
                    {
                        "UUID": Variant("s", characteristic.uuid),
                        "Service": Variant("o", service),
                        "Flags": Variant("as", list(characteristic.flags)),
                        "MTU": Variant("q", 23),
                    },
                )
            handle += 0x10

    def hide_services(self, tree: Tree, adapter: str) -> None:
        """Take the table of services away."""
        device = self.path(adapter)
        for path in [path for path in tree.managed if path.startswith(f"{device}/service") and path.count("/") == 5]:
            tree.remove(path)

    def find(self, tree: Tree, adapter: str, uuid: str) -> str:
        """Return the path of a characteristic that is shown; empty where it is not."""
        device = self.path(adapter)
        for path, interfaces in tree.managed.items():
            shown = interfaces.get(CHARACTERISTIC)
            if path.startswith(f"{device}/") and shown is not None and shown["UUID"].value == uuid:
                return path
        return ""
