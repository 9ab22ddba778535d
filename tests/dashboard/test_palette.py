from itertools import combinations

import numpy as np
import pytest

from dashboard.palette import DASHES, GROUPS, STATE, URGENCY, VERDICT, chart_words, look
from dashboard.serve import theme_options

# Linear-RGB simulation of full deficiencies: Machado, Oliveira and Fernandes (2009), IEEE TVCG 15(6), 1291-1298.
VISION = {
    "normal": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


def linear(colour: str) -> np.ndarray:
    parts = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    low, high = sorted(float(np.dot([0.2126, 0.7152, 0.0722], linear(colour))) + 0.05 for colour in (one, other))
    return high / low


def lab(light: np.ndarray) -> np.ndarray:
    ratio = TO_XYZ @ np.clip(light, 0, 1) / np.array([0.95047, 1, 1.08883])
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def distance(one: str, other: str, vision: str) -> float:
    matrix = np.array(VISION[vision])
    return float(np.linalg.norm(lab(matrix @ linear(one)) - lab(matrix @ linear(other))))


def test_a_black_and_a_white_surface_have_the_contrast_of_the_standard():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("colour", sorted({each.colour for each in URGENCY.values()} | set(GROUPS)))
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_every_mark_is_seen_on_both_backgrounds(colour, theme):
    assert contrast(colour, theme_options()[f"theme.{theme}.backgroundColor"]) >= 2.8


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_is_read_on_both_backgrounds(theme):
    options = theme_options()
    assert contrast(options[f"theme.{theme}.textColor"], options[f"theme.{theme}.backgroundColor"]) >= 7


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_what_is_written_in_charts_is_read_on_their_background(theme):
    colours = {part.get("labelColor", part.get("color")) for part in chart_words(theme).values()}
    assert min(contrast(each, theme_options()[f"theme.{theme}.backgroundColor"]) for each in colours) >= 4.5


@pytest.mark.parametrize("look", [*URGENCY.values(), *STATE.values(), *VERDICT.values()])
def test_what_is_written_on_a_coloured_field_is_read(look):
    assert contrast(look.words, look.colour) >= 4.5


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize(("one", "other"), list(combinations(URGENCY, 2)))
def test_urgencies_stay_apart_for_every_kind_of_colour_vision(one, other, vision):
    assert distance(URGENCY[one].colour, URGENCY[other].colour, vision) >= 10


@pytest.mark.parametrize("looks", [URGENCY, VERDICT])
def test_no_state_is_told_by_colour_alone(looks):
    assert len({each.mark for each in looks.values()}) == len(looks)
    assert len({each.word for each in looks.values()}) == len(looks)


def test_states_of_one_mark_differ_in_their_word():
    assert len({each.label for each in STATE.values()}) == len(STATE)


def test_groups_differ_in_dash_as_well_as_in_colour():
    assert len({tuple(dash) for dash in DASHES}) == len(GROUPS)


def test_a_state_of_a_later_release_is_shown_by_its_own_name():
    assert look(STATE, "half_learned").label == "○ Half learned"
