"""Wire formats: bytes in, readings out. One file a format; none does I/O or reads a clock."""
