"""The screen: what is drawn, in whose colours, and what a screen reader gets."""

import io

import matplotlib.image
import numpy as np
import pytest

import casekit
from casekit.bench.trace import Trace
from casekit.teaching import screen
from casekit.teaching.screen import LOOK, Screen


def made(count=4, **changes):
    t = np.linspace(-0.002, 0.008, 100, endpoint=False)
    rows = np.array([np.sin(2 * np.pi * 500 * t + k) for k in range(count)])
    settings = {
        "kind": "oscilloscope", "t_s": t, "low": rows - 0.1, "high": rows + 0.1,
        "labels": tuple(f"B{k}.2 against G1.-" for k in range(count)), "units": ("V",) * count, "s_per_div": 0.001,
        "per_div": (0.5,) * count, "offsets": (0.0,) * count, "state": "key run", "minute": 3.0,
    }  # fmt: skip
    return Trace(**settings | changes)


def pixels(png: bytes) -> np.ndarray:
    return matplotlib.image.imread(io.BytesIO(png), format="png")[:, :, :3]


def test_colours_are_okabe_and_ito_and_every_channel_has_its_own_line_style():
    """Okabe and Ito 2008, colour-blind safe set: blue 0,114,178; vermillion 213,94,0; bluish green 0,158,115; reddish
    purple 204,121,167."""
    published = [(0, 114, 178), (213, 94, 0), (0, 158, 115), (204, 121, 167)]
    assert [tuple(int(c[k : k + 2], 16) for k in (1, 3, 5)) for c, _ in LOOK] == published
    assert len({str(style) for _, style in LOOK}) == len(LOOK)


def test_every_channel_is_on_the_picture():
    """One channel more changes the picture and puts its own colour on it."""
    blue, vermillion = (np.array([int(c[k : k + 2], 16) for k in (1, 3, 5)]) / 255 for c, _ in LOOK[:2])

    def share(png, colour):
        return float((np.abs(pixels(png) - colour).max(axis=2) < 0.02).mean())

    one, two = (Screen(made(count)).png for count in (1, 2))
    assert share(one, blue) > 1e-3
    assert share(one, vermillion) == 0
    assert share(two, vermillion) > 1e-3


def test_a_screen_reader_gets_figures_and_settings():
    bundle, _ = Screen(made(2, note="nothing crossed the trigger level"))._repr_mimebundle_()
    assert set(bundle) == {"image/png", "text/plain"}
    assert "B0.2 against G1.-" in bundle["text/plain"]
    assert "peak to peak" in bundle["text/plain"]
    assert "0.001 s a division, key run; nothing crossed the trigger level" in bundle["text/plain"]


def test_figures_of_a_known_signal():
    """A sine of 500 Hz and 1 V: 2.2 V from peak to peak with the 0.1 V of the band on both sides."""
    row = made(1).figures().iloc[0]
    assert row["peak to peak"] == pytest.approx(2.2, abs=0.01)
    assert row["mean"] == pytest.approx(0.0, abs=0.01)
    assert row["Hz"] == pytest.approx(500, rel=0.03)


@pytest.mark.parametrize(
    ("s_per_div", "scale", "unit"),
    [(2e-6, 1e6, "µs"), (5e-4, 1e6, "µs"), (0.01, 1e3, "ms"), (0.1, 1e3, "ms"), (0.5, 1.0, "s")],
)
def test_the_time_axis_is_in_the_unit_a_reader_expects(s_per_div, scale, unit):
    assert screen._time_unit(s_per_div) == (scale, unit)


def test_a_bench_shows_pictures_of_its_own():
    bench = casekit.open_machine("street-sweeper")
    bench.key("run")
    shown = bench.scope([("B7.2", "G1.-")], 0.01, 1.0, 2.0)
    assert isinstance(shown, Screen)
    assert pixels(shown.png).shape == (screen.PIXELS[1], screen.PIXELS[0], 3)
    traced = bench.scan_trace(["B5"], 5.0, during="pedal")
    assert traced.trace.kind == "scan data"
    assert traced.trace.low[0][-1] > traced.trace.low[0][0] + 50
