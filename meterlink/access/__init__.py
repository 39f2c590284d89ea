"""Who may do what: names and roles, passwords, sessions, guesses slowed down, and the broker's side of the same."""
