"""How a meter is reached (one file a transport) and how its bytes read (one file a wire format)."""
