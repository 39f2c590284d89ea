"""The picture of a circuit, the rail: as SVG for pages and paper, as text for the terminal."""
