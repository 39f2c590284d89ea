"""Layout 2: a line of the kind `instrument` says what is known of the meter. The tables stay."""

revision = "layout2"
down_revision = "layout1"


def upgrade() -> None:
    """Change nothing: an older Steadypoint must not open the file, since it would misread such a line."""
