"""Vendored files are as published: checksums match, and the licence is included."""

import hashlib
from importlib.resources import files

STATIC = files("potvigil.page") / "static"


def test_the_chart_library_is_unmodified_and_has_its_licence():
    lines = (STATIC / "uPlot.version").read_text().splitlines()
    sums = dict(
        reversed(line.split()) for line in lines if line.count("  ") == 1 and len(line.split()[0]) == 64
    )
    assert sorted(sums) == ["uPlot.iife.min.js", "uPlot.min.css"]
    for name, wanted in sums.items():
        assert hashlib.sha256((STATIC / name).read_bytes()).hexdigest() == wanted
    assert "MIT License" in (STATIC / "uPlot.LICENSE").read_text()
