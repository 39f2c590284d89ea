"""The Bluetooth LE service in which many handheld meters offer their frames, each in its maker's own format."""

from meterlink.driver import GattPlace

VENDOR_SERVICE = GattPlace(
    service="0000fff0-0000-1000-8000-00805f9b34fb",
    notify="0000fff4-0000-1000-8000-00805f9b34fb",
)
"""Service 0xFFF0, notifications of characteristic 0xFFF4. Nothing is written: what 0xFFF3 takes acts as key presses."""
