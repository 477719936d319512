"""The style sheet keeps its promises. Outside: WCAG 2.2, the definitions of relative luminance and contrast ratio,
and success criteria 1.4.3 (text 4.5 : 1) and 1.4.11 (focus and borders that carry meaning 3 : 1)."""

import re
from pathlib import Path

import pytest

SHEET = (Path(__file__).parents[2] / "gateway" / "web" / "static" / "pages.css").read_text()
TEXT = [
    *((ink, paper) for ink in ("ink", "quiet", "link") for paper in ("paper", "sheet")),
    *((ink, "sheet") for ink in ("good", "wait", "attention")),
    ("ink", "attention-paper"),
    ("attention", "attention-paper"),
    ("caution-ink", "caution-paper"),
    ("banner-ink", "banner-paper"),
    ("sheet", "link"),  # the sign-in button
]
SIGNS = [("focus", "paper"), ("focus", "sheet"), ("attention", "paper"), ("quiet", "sheet"), ("quiet", "paper")]


def palettes() -> dict[str, dict[str, str]]:
    light, dark = re.findall(r":root \{(.*?)\}", SHEET, re.DOTALL)
    return {
        name: dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block))
        for name, block in (("light", light), ("dark", dark))
    }


def luminance(colour: str) -> float:
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_measure_itself() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # from memory: the grey that just fails


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("ink", "paper"), TEXT)
def test_text_can_be_read(scheme: str, ink: str, paper: str) -> None:
    palette = palettes()[scheme]
    assert contrast(palette[ink], palette[paper]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("sign", "paper"), SIGNS)
def test_focus_and_borders_can_be_seen(scheme: str, sign: str, paper: str) -> None:
    palette = palettes()[scheme]
    assert contrast(palette[sign], palette[paper]) >= 3


def test_both_palettes_name_the_same_colours_and_nothing_else_does() -> None:
    light, dark = palettes().values()
    assert light.keys() == dark.keys()
    assert set(re.findall(r"var\(--([a-z-]+)\)", SHEET)) == light.keys()
    assert len(re.findall(r"#[0-9a-f]{3,8}\b", SHEET)) == len(light) + len(dark)


def test_the_focus_is_never_hidden() -> None:
    """WCAG 2.4.7. The one outline that is taken away is that of the main part, where the skip link leads."""
    assert re.findall(r"([^{}\n]+) \{[^}]*outline: none", SHEET) == ["main:focus"]
    assert ":focus-visible { outline: 3px solid var(--focus)" in SHEET
