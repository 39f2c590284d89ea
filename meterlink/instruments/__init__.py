"""Accuracy sheets and the register of instruments, as files."""
