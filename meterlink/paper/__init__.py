"""What goes on paper: the content is worked out here, and a template beside it says how it looks."""
