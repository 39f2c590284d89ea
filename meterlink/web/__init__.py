"""The pages: one small ASGI app over what runs in this process. The technician's page is its first."""
