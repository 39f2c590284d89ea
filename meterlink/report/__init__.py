"""A job as a report: what it says as one content, and its renderings."""
