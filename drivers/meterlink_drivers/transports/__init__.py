"""Transports: how the bytes of a meter are reached. None knows a wire format."""
