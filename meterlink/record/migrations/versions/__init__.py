"""One revision for each layout. Each is history, and is never changed."""
