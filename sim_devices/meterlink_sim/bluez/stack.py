"""The service `org.bluez` as a Bluetooth program sees it: adapter, scan, devices, services, notifications, and faults.

Modelled on BlueZ's D-Bus interface (bluez.org, doc/org.bluez.*.rst) and on what bleak 3.1 was seen to need of it. Not
modelled: the radio, its timing, pairing, and the order in which a real bluetoothd answers under load.
"""

import asyncio
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from meterlink_sim.bluez.peripheral import CHARACTERISTIC, DEVICE, Characteristic, Peripheral
from meterlink_sim.bluez.tree import Tree

ADAPTER = "org.bluez.Adapter1"
HCI0 = "/org/bluez/hci0"
ABORTED = "le-connection-abort-by-local"

_ADVERTISED_EVERY_S = 0.05
_UNANSWERED = 64
"""Notifications between two waits for the bus: a sender that never waits fills its socket and loses its connection."""


@dataclass(slots=True)
class Adapter:
    """The computer's Bluetooth adapter."""

    powered: bool = True
    roles: tuple[str, ...] | None = ("central", "peripheral")
    """None leaves the property out, as old systems do."""


@dataclass(slots=True)
class _Refusal:
    name: str
    text: str
    times: int


@dataclass(slots=True)
class Faults:
    """What goes wrong, until it is set back."""

    services_delay_s: float = 0.0
    """Between the answer to Connect and the table of services."""
    drops_in_discovery: int = 0
    """How many of the next links break while the table is read."""
    blinks: list[float] = field(default_factory=list)
    """How long the next links last, in seconds."""
    goodbye_ahead_s: float | None = None
    """Answer Disconnect so long before the link is gone; None: after, like a fast link."""
    unanswered: set[str] = field(default_factory=set)
    """Methods that are never answered, such as `Connect`."""
    stale: dict[str, tuple[Characteristic, ...]] | None = None
    """The table of services shown for a device until it is removed by hand."""
    keeps_stale: bool = False
    """Show the stale table even after that."""


class SimulatedBluez:
    """The service. Entering it puts it on the bus; leaving it, or `exit`, takes it away without a word."""

    def __init__(self, bus_address: str, adapter: Adapter | None = None, *, adapters: int = 1) -> None:
        """Prepare the service; nothing runs yet.

        Args:
            bus_address: of a `PrivateBus`.
            adapter: hci0 as it is at the start.
            adapters: 1, or 0 for a computer without Bluetooth.
        """
        self.calls: list[str] = []
        """The methods called so far, in order: `StartDiscovery`, `Connect`..."""
        self.faults = Faults()
        self._bus_address = bus_address
        self._adapter = (adapter or Adapter()) if adapters else None
        self._in_the_air: dict[str, Peripheral] = {}
        self._silent: set[str] = set()
        self._forgotten: set[str] = set()
        self._notifying: set[str] = set()
        self._refusals: dict[str, _Refusal] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._sent = 0
        self._bus: MessageBus | None = None
        self._tree = Tree(self._send)
        self._methods: dict[str, Callable[[Message], Awaitable[Message | None]]] = {
            "GetManagedObjects": self._get_managed_objects,
            "SetDiscoveryFilter": self._done,
            "StartDiscovery": self._start_discovery,
            "StopDiscovery": self._stop_discovery,
            "RemoveDevice": self._remove_device,
            "Connect": self._connect,
            "Disconnect": self._disconnect,
            "StartNotify": self._start_notify,
            "StopNotify": self._stop_notify,
            "ReadValue": self._read_value,
            "WriteValue": self._write_value,
        }

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.exit()

    async def start(self) -> None:
        """Come up, with the adapter and no device; those in the air are heard when somebody listens."""
        self._tree = Tree(self._send)
        self._bus = await MessageBus(bus_address=self._bus_address).connect()
        self._bus.add_message_handler(self._handle)
        await self._bus.request_name("org.bluez")
        if self._adapter is not None:
            properties = {
                "Address": Variant("s", "02:00:00:00:00:01"),
                "Alias": Variant("s", "simulated"),
                "Powered": Variant("b", self._adapter.powered),
                "Discovering": Variant("b", False),
            }
            if self._adapter.roles is not None:
                properties["Roles"] = Variant("as", list(self._adapter.roles))
            self._tree.add(HCI0, ADAPTER, properties)

    async def exit(self) -> None:
        """End as a killed process does: no signal, no farewell."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._notifying.clear()
        bus, self._bus = self._bus, None
        if bus is not None and bus.connected:
            bus.disconnect()
            await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]  # dbus-fast leaves it bare

    # What happens in the air

    def advertise(self, peripheral: Peripheral) -> None:
        """Let a peripheral be heard, from now on, whenever it is not connected."""
        self._in_the_air[peripheral.address] = peripheral
        self._silent.discard(peripheral.address)

    def fall_silent(self, peripheral: Peripheral) -> None:
        """Let a peripheral be heard no more; the system still knows it."""
        self._silent.add(peripheral.address)

    def remember(self, peripheral: Peripheral) -> None:
        """Let the system know a peripheral from before that is not heard now."""
        self.advertise(peripheral)
        self.fall_silent(peripheral)
        peripheral.show(self._tree, HCI0)

    async def connect_for_another(self, peripheral: Peripheral) -> None:
        """Let the system be connected already, as a killed program leaves it."""
        self.advertise(peripheral)
        peripheral.show(self._tree, HCI0)
        self._link_up(peripheral)
        await self._resolve(peripheral)

    def drop_link(self, peripheral: Peripheral) -> None:
        """Break the link; the system says so."""
        path = peripheral.path(HCI0)
        if path in self._tree and self._tree.get(path, DEVICE, "Connected"):
            self._notifying = {path_ for path_ in self._notifying if not path_.startswith(f"{path}/")}
            self._tree.change(path, DEVICE, ServicesResolved=Variant("b", False))
            self._tree.change(path, DEVICE, Connected=Variant("b", False))
            peripheral.hide_services(self._tree, HCI0)

    def vanish(self, peripheral: Peripheral) -> None:
        """Take the device away without a word about its link."""
        self._in_the_air.pop(peripheral.address, None)
        self._tree.remove(peripheral.path(HCI0))

    def power(self, *, on: bool) -> None:
        """Switch the adapter; off breaks all links."""
        if not on:
            for peripheral in self._in_the_air.values():
                self.drop_link(peripheral)
        self._tree.change(HCI0, ADAPTER, Powered=Variant("b", on), Discovering=Variant("b", False))

    def refuse(self, method: str, name: str, text: str = "refused", *, times: int = 1_000_000) -> None:
        """Answer the next calls of a method with an error.

        Args:
            method: such as `Connect`.
            name: the error's name behind `org.bluez.Error.`, such as `Failed`.
            text: its text.
            times: how often.
        """
        self._refusals[method] = _Refusal(f"org.bluez.Error.{name}", text, times)

    def is_notifying(self, peripheral: Peripheral, uuid: str) -> bool:
        """Whether somebody has subscribed to a characteristic."""
        return peripheral.find(self._tree, HCI0, uuid) in self._notifying

    async def notify(self, peripheral: Peripheral, uuid: str, data: bytes) -> bool:
        """Send one notification; return whether somebody was subscribed. Waits for the bus now and then."""
        path = peripheral.find(self._tree, HCI0, uuid)
        if path not in self._notifying:
            return False
        self._tree.change(path, CHARACTERISTIC, Value=Variant("ay", data))
        self._sent += 1
        if self._sent % _UNANSWERED == 0:
            await self.settle()
        return True

    async def settle(self) -> None:
        """Wait until the bus has taken everything sent so far."""
        if self._bus is not None:
            await self._bus.call(
                Message(
                    destination="org.freedesktop.DBus",
                    path="/org/freedesktop/DBus",
                    interface="org.freedesktop.DBus",
                    member="GetId",
                )
            )

    # What programs ask

    def _handle(self, message: Message) -> bool:
        if message.message_type is not MessageType.METHOD_CALL:
            return False
        self.calls.append(message.member or "")
        self._begin(self._answer(message))
        return True

    async def _answer(self, message: Message) -> None:
        member = message.member or ""
        if member in self.faults.unanswered:
            return
        refusal = self._refusals.get(member)
        if refusal is not None and refusal.times > 0:
            refusal.times -= 1
            if refusal.text == ABORTED:
                await self._abort(self._peripheral(message), message)
            else:
                self._send(Message.new_error(message, refusal.name, refusal.text))
            return
        if member != "GetManagedObjects" and (message.path or "") not in self._tree:
            self._send(Message.new_error(message, "org.freedesktop.DBus.Error.UnknownObject", "no such object"))
            return
        reply = await self._methods[member](message)
        if reply is not None:
            self._send(reply)

    async def _done(self, message: Message) -> Message:
        return Message.new_method_return(message)

    async def _get_managed_objects(self, message: Message) -> Message:
        return Message.new_method_return(message, "a{oa{sa{sv}}}", [self._tree.managed])

    async def _start_discovery(self, message: Message) -> Message:
        if not self._tree.get(HCI0, ADAPTER, "Powered"):
            return Message.new_error(message, "org.bluez.Error.NotReady", "Resource Not Ready")
        self._tree.change(HCI0, ADAPTER, Discovering=Variant("b", True))
        self._begin(self._be_heard())
        return Message.new_method_return(message)

    async def _be_heard(self) -> None:
        while self._tree.get(HCI0, ADAPTER, "Discovering"):
            for peripheral in self._in_the_air.values():
                path = peripheral.path(HCI0)
                if peripheral.address in self._silent:
                    continue
                if path not in self._tree:
                    peripheral.show(self._tree, HCI0)
                if not self._tree.get(path, DEVICE, "Connected"):  # a connected meter does not advertise
                    self._tree.change(path, DEVICE, RSSI=Variant("n", -55))
            await asyncio.sleep(_ADVERTISED_EVERY_S)

    async def _stop_discovery(self, message: Message) -> Message:
        self._tree.change(HCI0, ADAPTER, Discovering=Variant("b", False))
        for peripheral in self._in_the_air.values():
            if (path := peripheral.path(HCI0)) in self._tree:
                self._tree.invalidate(path, DEVICE, "RSSI")
        return Message.new_method_return(message)

    async def _remove_device(self, message: Message) -> Message:
        peripheral = next(known for known in self._in_the_air.values() if known.path(HCI0) == message.body[0])
        self.drop_link(peripheral)
        self._forgotten.add(peripheral.address)
        self._tree.remove(message.body[0])
        return Message.new_method_return(message)

    async def _connect(self, message: Message) -> Message:
        peripheral = self._peripheral(message)
        self._link_up(peripheral)
        if self.faults.drops_in_discovery > 0:
            self.faults.drops_in_discovery -= 1
            self._begin(self._drop_after(peripheral, 0.02))
        else:
            self._begin(self._resolve(peripheral))
            if self.faults.blinks:
                self._begin(self._drop_after(peripheral, self.faults.blinks.pop(0)))
        return Message.new_method_return(message)

    async def _abort(self, peripheral: Peripheral, message: Message) -> None:
        """As BlueZ does it: connected for a moment, the error, then not connected."""
        self._link_up(peripheral)
        await asyncio.sleep(0.01)
        self._send(Message.new_error(message, "org.bluez.Error.Failed", ABORTED))
        await self._drop_after(peripheral, 0.01)

    async def _disconnect(self, message: Message) -> Message | None:
        peripheral = self._peripheral(message)
        if not self._tree.get(message.path or "", DEVICE, "Connected"):
            return Message.new_error(message, "org.bluez.Error.NotConnected", "Not Connected")
        if self.faults.goodbye_ahead_s is None:
            await self._drop_after(peripheral, 0.01)
            return Message.new_method_return(message)
        self._begin(self._drop_after(peripheral, self.faults.goodbye_ahead_s))
        return Message.new_method_return(message)

    async def _start_notify(self, message: Message) -> Message:
        self._notifying.add(message.path or "")
        return Message.new_method_return(message)

    async def _stop_notify(self, message: Message) -> Message:
        self._notifying.discard(message.path or "")
        return Message.new_method_return(message)

    async def _read_value(self, message: Message) -> Message:
        _, characteristic = self._characteristic(message)
        return Message.new_method_return(message, "ay", [characteristic.value])

    async def _write_value(self, message: Message) -> Message:
        peripheral, characteristic = self._characteristic(message)
        if peripheral.on_write is not None:
            peripheral.on_write(characteristic.uuid, bytes(message.body[0]))
        return Message.new_method_return(message)

    # Helpers

    def _peripheral(self, message: Message) -> Peripheral:
        path = message.path or ""
        return next(known for known in self._in_the_air.values() if path.startswith(known.path(HCI0)))

    def _characteristic(self, message: Message) -> tuple[Peripheral, Characteristic]:
        peripheral = self._peripheral(message)
        uuid = self._tree.get(message.path or "", CHARACTERISTIC, "UUID")
        every = (one for characteristics in peripheral.services.values() for one in characteristics)
        return peripheral, next(one for one in every if one.uuid == uuid)

    def _link_up(self, peripheral: Peripheral) -> None:
        self._tree.change(peripheral.path(HCI0), DEVICE, Connected=Variant("b", True))

    async def _resolve(self, peripheral: Peripheral) -> None:
        await asyncio.sleep(self.faults.services_delay_s)
        path = peripheral.path(HCI0)
        if path not in self._tree or not self._tree.get(path, DEVICE, "Connected"):
            return
        stale = self.faults.stale
        if stale is not None and (self.faults.keeps_stale or peripheral.address not in self._forgotten):
            shown = Peripheral(peripheral.address, stale, peripheral.name)
        else:
            shown = peripheral
        shown.show_services(self._tree, HCI0)
        uuids = Variant("as", sorted({*shown.services, *peripheral.advertised}))
        self._tree.change(path, DEVICE, UUIDs=uuids, ServicesResolved=Variant("b", True))

    async def _drop_after(self, peripheral: Peripheral, seconds: float) -> None:
        await asyncio.sleep(seconds)
        self.drop_link(peripheral)

    def _begin(self, work: Coroutine[object, object, None]) -> None:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _send(self, message: Message) -> None:
        if self._bus is not None and self._bus.connected:
            self._bus.send(message)
