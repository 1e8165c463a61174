"""Colours that survive colour blindness and grey print; figures as equal bytes."""

from __future__ import annotations

import subprocess
import sys

import matplotlib
import numpy as np
import pytest

from detect.present import style

# Deuteranopia and protanopia at full severity, linear RGB: Machado, Oliveira and Fernandes 2009,
# "A Physiologically-based Model for Simulation of Color Vision Deficiency" (from memory).
BLIND = {
    "none": np.eye(3),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.01182, 0.04294, 0.968881],
        ]
    ),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
}
CMAPS = sorted({s.cmap for s in [*style.FIELD_STYLES.values(), style.UNCERTAINTY_STYLE]})


def linear(rgb: np.ndarray) -> np.ndarray:
    """sRGB to linear light, IEC 61966-2-1."""
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lightness(light: np.ndarray) -> np.ndarray:
    """CIE 1976 L* of linear sRGB under D65."""
    y = np.clip(light @ np.array([0.2126, 0.7152, 0.0722]), 0, 1)
    return np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, y * (29 / 3) ** 3)


@pytest.mark.parametrize("eyes", BLIND)
@pytest.mark.parametrize("name", CMAPS)
def test_lightness_runs_one_way_through_every_colour_map(name: str, eyes: str) -> None:
    # A map stays readable in grey, and to the colour-blind, if lightness alone carries the order.
    colours = matplotlib.colormaps[name](np.linspace(0, 1, 64))[:, :3]
    steps = np.diff(lightness(np.clip(linear(colours) @ BLIND[eyes].T, 0, 1)))
    assert np.all(steps > 0) or np.all(steps < 0)
    assert abs(steps.sum()) > 60


def test_dark_is_doubtful_and_deep() -> None:
    assert style.field_style("seabed_sd") is style.UNCERTAINTY_STYLE
    for name in (style.UNCERTAINTY_STYLE.cmap, style.field_style("seabed").cmap):
        low, high = matplotlib.colormaps[name]([0.0, 1.0])[:, :3]
        assert lightness(linear(high)) < lightness(linear(low))


def test_a_figure_gives_the_same_bytes_twice() -> None:
    def one() -> tuple[bytes, bytes]:
        figure = style.new_figure(2, 2)
        figure.add_axes((0.2, 0.2, 0.7, 0.7)).plot([0, 1])
        return style.png_bytes(figure), style.pdf_bytes(figure)

    png, pdf = one()
    assert (png, pdf) == one()
    assert png.startswith(b"\x89PNG")
    assert pdf.startswith(b"%PDF")


def test_drawing_leaves_the_settings_of_matplotlib_alone() -> None:
    before = dict(matplotlib.rcParams)
    style.styled(lambda: style.new_figure(1, 1))()
    assert dict(matplotlib.rcParams) == before


def test_no_module_of_the_room_loads_pyplot() -> None:
    names = ["backdrop", "charts", "exchange", "maps", "plan_figure"]
    names += ["report", "slates", "squares", "traces"]
    code = "import sys; " + "".join(f"import detect.present.{name}; " for name in names)
    code += "print('matplotlib.pyplot' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "False"
