"""Earlier visits to a lift side by side, and what drifts from one to the next. Pure."""
