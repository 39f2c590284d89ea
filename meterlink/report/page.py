"""A report as a page: one file, without scripts, that shows and prints what the paper has."""

import base64
import hashlib
from collections.abc import Mapping
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined


def page(content: Mapping[str, object]) -> str:
    """Write a report as HTML.

    Every text is escaped; the pictures are our own drawing, and their texts escaped where they are drawn. The page's
    own policy (CSP) lets nothing in but its one style sheet and the photos inside it.

    Args:
        content: what `meterlink.report.content.report` gives.
    """
    environment = Environment(
        loader=PackageLoader("meterlink.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = files("meterlink.report").joinpath("report.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return environment.get_template("report.html").render(sheet=content, style=style, digest=digest)
