"""How states look: the style sheet of the picture, and its legend.

State is told by shape, fill and word first; colour (blue, amber, grey) only repeats it. Dark and light follow the
device, print is black on white. The plain value in front of each variable is for viewers that know no variables.
"""

import re

STYLE = """
.circuit-picture{--paper:#fff;--ink:#1b1b1b;--live:#0b4a9e;--dim:#575c61;--amber:#8a5200;--tint:#fff1d6;
background:var(--paper)}
@media (prefers-color-scheme:dark){.circuit-picture{--paper:#14171a;--ink:#ececec;--live:#8fbcff;--dim:#a9afb5;
--amber:#ffbe5c;--tint:#3a2a08}}
@media print{.circuit-picture{--paper:#fff;--ink:#000;--live:#000;--dim:#000;--amber:#000;--tint:#fff}}
.circuit-picture .paper{fill:#fff;fill:var(--paper)}
.circuit-picture .line{fill:none;stroke:#1b1b1b;stroke:var(--ink);stroke-width:1.6;stroke-linecap:round;
stroke-linejoin:round}
.circuit-picture .full{fill:currentColor;stroke:none}
.circuit-picture .line{color:#1b1b1b;color:var(--ink)}
.circuit-picture .live{stroke:#0b4a9e;stroke:var(--live);color:#0b4a9e;color:var(--live);stroke-width:4.2}
.circuit-picture .dead{stroke-width:5.4;stroke-linecap:butt}
.circuit-picture .core{fill:none;stroke:#fff;stroke:var(--paper);stroke-width:3;stroke-linecap:butt}
.circuit-picture .unknown{stroke:#575c61;stroke:var(--dim);color:#575c61;color:var(--dim);stroke-dasharray:6 4;
stroke-linecap:butt}
.circuit-picture .floating{stroke:#575c61;stroke:var(--dim);color:#575c61;color:var(--dim);stroke-width:2.6;
stroke-dasharray:.1 5.5}
.circuit-picture .part.live{stroke-width:2.6}
.circuit-picture .part.dead{stroke-width:1.3;stroke-linecap:round}
.circuit-picture .part.unknown,.circuit-picture .part.floating{stroke-width:1.3;stroke-linecap:round;
stroke-dasharray:none}
.circuit-picture .part.bare.unknown{stroke-width:1.6;stroke-dasharray:6 4}
.circuit-picture .part.bare.floating{stroke-width:2.6;stroke-dasharray:.1 5.5}
.circuit-picture .joint{fill:currentColor;stroke:none}
.circuit-picture .dot{stroke-dasharray:none;stroke-width:1.8}
.circuit-picture .dot.live{fill:#0b4a9e;fill:var(--live)}
.circuit-picture .dot.dead,.circuit-picture .dot.floating{fill:#fff;fill:var(--paper)}
.circuit-picture .dot.unknown{fill:#575c61;fill:var(--dim)}
.circuit-picture .box{fill:#fff1d6;fill:var(--tint);stroke:#8a5200;stroke:var(--amber);stroke-width:1.8;
stroke-dasharray:none}
.circuit-picture .proof{stroke-width:4}
.circuit-picture .probe{fill:#8a5200;fill:var(--amber);stroke:#1b1b1b;stroke:var(--ink);stroke-width:1}
.circuit-picture text{font-family:Arial,Helvetica,"Liberation Sans",sans-serif;font-size:12px;stroke:none;
fill:#1b1b1b;fill:var(--ink)}
.circuit-picture .heading{font-size:15px;font-weight:bold}
.circuit-picture .node,.circuit-picture .part-tag{font-size:13px;font-weight:bold}
.circuit-picture .value{font-weight:bold;font-variant-numeric:tabular-nums}
.circuit-picture .words,.circuit-picture .state{fill:#575c61;fill:var(--dim)}
.circuit-picture .accused{font-weight:bold;fill:#8a5200;fill:var(--amber)}
.circuit-picture .letter{font-weight:bold;text-anchor:middle}
"""

_ON_PAPER = dict(re.findall(r"--(\w+):(#\w+)", STYLE.partition("@media print{")[2].partition("}}")[0]))
_BEHIND_MEDIA = STYLE[STYLE.index(".circuit-picture .paper") :]

PAPER_STYLE = re.sub(
    r"([a-z]+):#\w+;\1:var\(--(\w+)\)", lambda found: f"{found[1]}:{_ON_PAPER[found[2]]}", _BEHIND_MEDIA
)
"""The style of print with its values in the variables' places."""
