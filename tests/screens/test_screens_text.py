"""Text, colours and rows, without a terminal."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from console.screens.floor_lines import (
    GLYPHS,
    SHORT_FLAGS,
    floor_rows,
    follows_groups,
    heading,
    prop_line,
)
from console.screens.palette import INKS, PAIRS, STOP_GROUND, STOP_LATCHED, Role, contrast
from console.screens.prop_lines import sequence_lines
from console.screens.store import Store
from console.screens.text import (
    ELLIPSIS,
    Span,
    age,
    bar,
    clock,
    crop,
    fit,
    plain,
    text_of,
    wrap,
)
from console.views.models import Asked, PropFlag, PropState, PropView
from tests.screens.screens_scene import SECOND, entities, prop

NASTY = st.text(st.characters(), max_size=40)


@given(NASTY)
def test_plain_text_holds_no_control_character(text: str) -> None:
    """Whatever came from a wire, no terminal can take what is left for an order."""
    clean = plain(text)
    assert not any(ord(c) < 32 or 127 <= ord(c) < 160 for c in clean)
    assert plain(clean) == clean


@given(NASTY, st.integers(0, 60), st.booleans())
def test_fit_fills_its_columns_exactly(text: str, width: int, right: bool) -> None:
    """A column is as wide as it was said to be, whatever stands in it."""
    assert cell_len(fit(text, width, right=right)) == width


@given(st.lists(st.tuples(NASTY, st.sampled_from(Role)), max_size=6), st.integers(0, 90))
def test_a_row_is_as_wide_as_the_screen(parts: list[tuple[str, Role]], width: int) -> None:
    """Rows neither run over nor fall short."""
    row = crop([Span(*p) for p in parts], width)
    assert sum(cell_len(s.text) for s in row) == width


@given(st.text("ab cdefgh", min_size=1, max_size=80), st.integers(1, 79))
def test_what_is_cut_says_so(text: str, width: int) -> None:
    """Nothing is cut off silently: a row that lost something ends in an ellipsis."""
    shown = text_of([crop([Span(text)], width)])
    assert shown == text.rstrip() or shown.endswith(ELLIPSIS)


@given(st.text("ab cdefgh \n\t", max_size=200), st.integers(1, 40))
def test_wrapping_loses_nothing(text: str, width: int) -> None:
    """All letters are still there, and no line is too long."""
    lines = wrap(text, width)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert all(cell_len(line) <= width for line in lines)


def test_wide_characters_take_two_columns() -> None:
    """A name in a wide script is cut by columns and not by letters."""
    assert fit("氷の家", 5) == "氷の…"
    assert fit("氷の家", 4) == "氷 …"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "now"), (1, "1s"), (59, "59s"), (60, "1m"), (3599, "59m"), (3600, "1h"), (90_000, "1d")],
)
def test_ages_have_one_unit(seconds: int, words: str) -> None:
    """An age is read at a glance."""
    now = 1_800_000_000 * SECOND
    assert age(now - seconds * SECOND, now) == words


def test_never_has_no_age_and_no_time() -> None:
    """What did not happen yet shows as nothing."""
    assert age(0, time.time_ns()) == clock(0) == ""


def test_the_elapsed_bar_goes_from_none_to_all() -> None:
    """Eighths of a column, never longer than its room."""
    assert bar(0, 4) == "····"
    assert bar(1, 4) == bar(7, 4) == "████"
    assert bar(0.5, 4) == "██··"
    assert bar(0.03125, 4) == "▏···"


def test_contrast_follows_the_published_formula() -> None:
    """WCAG 2.x contrast ratio: 21 for black on white, 4.54 for #767676 on white (identity)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize(("ink", "ground", "least"), PAIRS)
def test_colours_can_be_told_apart(ink: str, ground: str, least: float) -> None:
    """WCAG 2.x 1.4.3 and 1.4.11 (from memory): text 4.5 to 1, the rest 3 to 1."""
    assert contrast(ink, ground) >= least


@pytest.mark.parametrize("colour", [STOP_GROUND, STOP_LATCHED, INKS[Role.STOP]])
def test_the_all_stop_is_not_red_on_yellow(colour: str) -> None:
    """That pair is for the hardwired device, which this is not (ISO 13850 colours)."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    assert blue > red or blue > green
    assert not (red > 180 and green > 180 and blue < 120)


def test_no_state_is_told_by_colour_alone() -> None:
    """Each has a glyph of its own and its word beside it."""
    assert set(GLYPHS) == set(PropState)
    assert len({glyph for glyph, _ in GLYPHS.values()}) == len(PropState)
    for state in PropState:
        one = prop("p", "P", "ice-house", 0, state)
        shown = text_of([prop_line(one, 80, time.time_ns(), in_scope=False)])
        assert f"{GLYPHS[state][0]} {state.value}" in shown


def test_what_is_asked_shows_as_asked() -> None:
    """`arming…` instead of a state that the controller has not confirmed."""
    one = prop("p", "P", "ice-house", 0, PropState.DISARMED, asked=Asked.ARM)
    shown = text_of([prop_line(one, 80, time.time_ns(), in_scope=False)])
    assert "arming…" in shown
    assert "armed" not in shown


@pytest.mark.parametrize("width", [60, 80, 100, 120, 200])
@pytest.mark.parametrize("flag", list(PropFlag))
def test_each_flag_can_be_read_in_a_row(flag: PropFlag, width: int) -> None:
    """Each width has a word for it that is not cut."""
    one = prop("p", "P", "ice-house", 0, PropState.ARMED, flags=(flag,))
    shown = text_of([crop(prop_line(one, width, time.time_ns(), in_scope=False), width)])
    assert shown.endswith((flag.value, SHORT_FLAGS.get(flag, flag.value)))


@pytest.mark.parametrize("width", [60, 80, 120])
def test_a_calm_flag_does_not_hide_a_loud_one(width: int) -> None:
    """Where one flag stands for several, it is one that wants somebody."""
    flags = (PropFlag.HAND_ONLY, PropFlag.UNCHECKED, PropFlag.AREA, PropFlag.LOW_AIR)
    one = prop("p", "P", "ice-house", 0, PropState.ARMED, flags=flags)
    shown = text_of([crop(prop_line(one, width, time.time_ns(), in_scope=False), width)])
    assert shown.endswith("area+3")


@pytest.mark.parametrize("width", [60, 80, 120])
def test_headings_stand_above_their_columns(width: int) -> None:
    """State, sequence and flags begin where their heading does."""
    store = Store()
    store.snapshot(entities())
    head = text_of([heading(width, groups=follows_groups(store))])
    rows = text_of([r.line for r in floor_rows(store, width, time.time_ns(), ()) if r.key])
    stoker = next(r for r in rows.splitlines() if "Stoker" in r)
    assert stoker.index("◆ armed") == head.index("state")
    assert stoker.index("plunge") == head.index("sequence")
    assert stoker.index("low air") == head.index("flags")


def test_a_wide_floor_says_for_whom_each_prop_is_set() -> None:
    """At 120 columns the group now and the next stand in their columns; at 80 in the details."""
    store = Store()
    store.snapshot(entities())
    head = text_of([heading(120, groups=True)])
    rows = text_of([r.line for r in floor_rows(store, 120, time.time_ns(), ()) if r.key])
    door = next(r for r in rows.splitlines() if "Ice-house door" in r)
    assert door.index("16 standard") == head.index("now for")
    assert door.index("17 mild") == head.index("next")
    assert "now for" not in text_of([heading(80, groups=True)])


def test_the_running_sequence_shows_how_far_it_is() -> None:
    """The bar and the marks follow the time since the cycle began."""
    now = time.time_ns()
    one = prop(
        "p", "P", "ice-house", 0, PropState.RUNNING,
        running_sequence="plunge", state_since_wall_ns=now - 2 * SECOND,
    )  # fmt: skip
    assert isinstance(one, PropView)
    shown = text_of(sequence_lines(one, 40, now)).splitlines()
    assert shown[0].startswith("plunge")
    assert shown[1].endswith("2.0 of 6.2 s")
    assert shown[1].startswith("████████▊")
    past = [row for row in shown if "»" in row]
    assert [row.split()[-1] for row in past] == ["fog", "sound", "lid", "torso"]
