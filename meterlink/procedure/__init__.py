"""The procedure file: its model, reading it with every problem placed, and the checks of its sense."""
