"""A simulated lift, meter and technician, and the ports on which they appear."""
