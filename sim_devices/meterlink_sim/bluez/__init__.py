"""A simulated BlueZ on a D-Bus of its own: enough for bleak's real Linux backend, without radio and without rights."""
