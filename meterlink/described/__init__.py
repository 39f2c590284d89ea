"""Wire formats described in a file: the description, its checks, and the one interpreter that runs them all."""
