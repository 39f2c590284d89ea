"""How a record's tables came to be, layout by layout: Alembic's environment, and a revision for each layout."""
