"""The office's page: ten crews at once, and each in full."""
