"""A D-Bus of one's own: the real dbus-daemon with a socket in a folder that goes with it."""

import shutil
import subprocess
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Self

DAEMON = "dbus-daemon"

ALLOW_ALL = """
    <allow own="*"/>
    <allow send_destination="*" eavesdrop="false"/>
    <allow receive_sender="*"/>
    <allow user="*"/>
"""
"""A policy without limits; rules put behind it take something away again."""

_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>unix:path={socket}</listen>
  <auth>{auth}</auth>
  <policy context="default">{policy}</policy>
</busconfig>
"""


def missing() -> str:
    """Return why there can be no bus here; empty where there can."""
    return "" if shutil.which(DAEMON) else f"{DAEMON} is not installed (Debian package dbus)"


class PrivateBus:
    """Entering it starts the daemon and waits until it listens; leaving it ends the daemon."""

    def __init__(self, policy: str = ALLOW_ALL, auth: str = "EXTERNAL") -> None:
        """Prepare a bus; nothing runs yet.

        Args:
            policy: rules of the default policy, as in `man dbus-daemon`; the last rule that matches wins.
            auth: the one mechanism that clients may prove themselves with.
        """
        self._policy = policy
        self._auth = auth
        self._folder = Path()
        self._daemon: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        """The bus address, while the bus is open."""
        return f"unix:path={self.socket}"

    @property
    def socket(self) -> Path:
        """The socket's path; short, since a socket's path may have 108 bytes at most."""
        return self._folder / "s"

    def __enter__(self) -> Self:
        self._folder = Path(tempfile.mkdtemp(prefix="bus"))
        config = self._folder / "bus.conf"
        config.write_text(_CONFIG.format(socket=self.socket, auth=self._auth, policy=self._policy), encoding="utf-8")
        self._daemon = subprocess.Popen(  # noqa: S603 - our own configuration
            [DAEMON, f"--config-file={config}", "--nofork", "--nopidfile", "--print-address=1"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        if self._daemon.stdout is None or not self._daemon.stdout.readline():
            self.__exit__(None, None, None)
            raise RuntimeError(f"{DAEMON} did not start")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()
        shutil.rmtree(self._folder, ignore_errors=True)

    def kill(self) -> None:
        """End the daemon at once, as a crash would; its socket stays behind."""
        if self._daemon is not None:
            self._daemon.kill()
            self._daemon.wait()
            if self._daemon.stdout is not None:
                self._daemon.stdout.close()
            self._daemon = None
