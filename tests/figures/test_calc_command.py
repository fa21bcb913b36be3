"""`sexton calc`, called as the shell calls it: fixed keys, published values, refusals."""

from __future__ import annotations

import io
import json
import math
import sys
from pathlib import Path

import pytest

from console.cli import main

NIST_FAILURES = "54,187,216,240,244,335,361,373,375,386"
EWMA = "52.0,47.0,53.0,49.3,50.1,47.0,51.0,50.1,51.2,50.5,49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1"  # noqa: E501
CUSUM = "324.925,324.675,324.725,324.350,325.350,325.225,324.125,324.525,325.225,324.600,324.625,325.150,328.325,327.250,327.825,328.500,326.675,327.775,326.875,328.350"  # noqa: E501
EWMA_OPTIONS = "--start 50 --sigma 2.0539 --weight 0.3 --limit 3"

# The keys are fixed because scripts use them. Sources stand beside the figures' own tests.
SCALARS: list[tuple[str, dict[str, float], float]] = [
    (
        "air --bore 1.5in --stroke 6in --pressure 100psi --rate 60/min",
        {"free_air_scfm": 2.8726138, "per_cycle_scf": 0.0478769, "compression_ratio": 7.8027211},
        1e-6,
    ),
    (
        "air --bore 1.5in --stroke 6in --pressure 100psi --rate 60/min --rod 0.375in"
        " --acting double",
        {"free_air_scfm": 5.5656893, "per_cycle_scf": 0.0927615, "compression_ratio": 7.8027211},
        1e-6,
    ),
    (
        "air --bore 38.1mm --stroke 152.4mm --pressure 689.4757kPa --rate 1Hz --acting single",
        {"free_air_scfm": 2.8726138, "per_cycle_scf": 0.0478769, "compression_ratio": 7.8027211},
        1e-6,
    ),
    (
        "force --bore 0.75in --pressure 80psi",
        {"push_lbf": 35.3429, "pull_lbf": 35.3429},
        1e-5,
    ),
    (
        "force --bore 1-1/2in --pressure 80psi --rod 5/8in",
        {"push_lbf": 141.372, "pull_lbf": 116.828},
        1e-5,
    ),
    ("tank --volume 660gal --from 110psi --to 100psi", {"usable_scf": 60.0240096}, 1e-8),
    ("tank --volume 50ft3 --from 100psi --to 50psi", {"usable_scf": 170.0680272}, 1e-8),
    (
        "receiver --minutes 6 --use 20 --supply 5 --from 100psi --to 80psi",
        {"volume_gal": 495},
        1e-3,
    ),
    (
        "receiver --minutes 6min --use 20scfm --supply 0 --from 100psi --to 80psi",
        {"volume_gal": 660},
        1e-3,
    ),
    ("leak --volume 50ft3 --from 100psi --to 50psi --time 10min", {"leak_cfm": 21.2585}, 1e-6),
    ("leak --on 8min --off 48min", {"leak_percent": 14.2857}, 1e-5),
    ("valve --cv 1 --up 100psi --down 95psi", {"flow_scfm": 22.66}, 1e-3),
    ("valve --cv 1 --up 100psi --down 95psi --temp 80degF", {"flow_scfm": 22.66}, 1e-3),
    ("valve --cv 7.4 --up 80psi --down 0psi --temp 80degF", {"flow_scfm": 341}, 3e-3),
    (
        "valve --conductance 2 --critical 0.3 --up-abs 5bar --down-abs 4bar",
        {"flow_lpm_anr": 419.9},
        2e-4,
    ),
    (
        "valve --conductance 2 --critical 0.3 --up-abs 5bar --down-abs 1bar --temp 20degC",
        {"flow_lpm_anr": 600},
        1e-9,
    ),
    ("swing --stroke 2in --angle 90deg", {"radius_in": math.sqrt(2)}, 1e-9),
    (
        "swing --arm 13in --base 14in --length 15in",
        {"angle_deg": 67.380135, "moment_arm_in": 11.2},
        1e-7,
    ),
    ("swing --arm 3in --base 4in --length 5in", {"angle_deg": 90, "moment_arm_in": 2.4}, 1e-9),
    ("coil --power 4.8W --voltage 24V", {"current_a": 0.2}, 1e-9),
    ("wire --awg 18 --length 100ft --current 2A", {"drop_v": 3.18}, 1e-9),
    (
        "blocked --rate 30/h --busy 45s",
        {"blocked_fraction": 3 / 11, "runs_per_hour": 240 / 11},
        1e-9,
    ),
    (
        "life --b10d 20000000 --days 220 --hours 8 --every 10s",
        {"n_op_per_year": 633600, "t10d_years": 31.5657, "mttfd_years": 315.657},
        1e-5,
    ),
    (
        f"weibull --failures {NIST_FAILURES} --censored 500x10",
        {"beta": 1.7208, "eta": 606.53, "b10": 164.02, "b50": 490.17},
        5e-5,
    ),
    ("spares --mean 2 --confidence 0.95", {"spares": 5}, 0),
    ("spares --mean 0.347222 --confidence 98%", {"spares": 2}, 0),
]


def _json(capsys: pytest.CaptureFixture[str], line: str) -> dict[str, object]:
    assert main(["calc", *line.split(), "--json"]) == 0
    out = capsys.readouterr().out
    assert out.count("\n") == 1
    answer = json.loads(out)
    assert isinstance(answer, dict)
    return answer


@pytest.mark.parametrize(("line", "expected", "rel"), SCALARS, ids=[row[0] for row in SCALARS])
def test_json_has_the_fixed_keys(
    capsys: pytest.CaptureFixture[str], line: str, expected: dict[str, float], rel: float
) -> None:
    """The object holds exactly the fixed keys, in their order, with the published values."""
    answer = _json(capsys, line)
    assert list(answer) == list(expected)
    for key, value in expected.items():
        assert answer[key] == pytest.approx(value, rel=rel)


@pytest.mark.parametrize("line", [row[0] for row in SCALARS])
def test_the_table_names_formula_and_source(capsys: pytest.CaptureFixture[str], line: str) -> None:
    """Without --json a short table ends with formula and source."""
    assert main(["calc", *line.split()]) == 0
    labels = [row.split("  ")[0] for row in capsys.readouterr().out.splitlines()]
    assert "formula" in labels
    assert "source" in labels
    assert len(labels) < 9


def test_ewma(capsys: pytest.CaptureFixture[str]) -> None:
    """The chart's keys are averages, limits and signals."""
    answer = _json(capsys, f"ewma --values {EWMA} {EWMA_OPTIONS}")
    assert list(answer) == ["ewma", "upper", "lower", "signals"]
    assert answer["upper"] == pytest.approx(52.5884, abs=1e-3)
    assert answer["lower"] == pytest.approx(47.4115, abs=1e-3)
    assert answer["signals"] == []
    averages = answer["ewma"]
    assert isinstance(averages, list)
    assert averages[-2:] == pytest.approx([51.94, 51.99], abs=0.005)


def test_cusum(capsys: pytest.CaptureFixture[str]) -> None:
    """The chart's keys are both sides and signals, counted from 1."""
    answer = _json(
        capsys, f"cusum --values {CUSUM} --target 325 --allowance 0.3175 --decision 4.1959"
    )
    assert list(answer) == ["high", "low", "signals"]
    assert answer["signals"] == list(range(14, 21))
    assert isinstance(answer["high"], list)
    assert answer["high"][-1] == pytest.approx(19.04, abs=0.005)


def test_a_chart_in_the_table_marks_its_signals(capsys: pytest.CaptureFixture[str]) -> None:
    """Each value has a row, a signal a mark; values may begin with a minus."""
    cusum = "cusum --values -1,5,-6 --target 0 --allowance 0.5 --decision 4"
    assert main(["calc", *cusum.split()]) == 0
    rows = capsys.readouterr().out.splitlines()
    assert [row.endswith("signal") for row in rows[1:4]] == [False, True, True]
    ewma = "ewma --values -1,5,-6 --start -0.5 --sigma 2 --weight 1 --limit 2"
    assert main(["calc", *ewma.split()]) == 0
    rows = capsys.readouterr().out.splitlines()
    assert [row.endswith("signal") for row in rows[1:4]] == [False, True, True]


def test_charts_can_start_afresh(capsys: pytest.CaptureFixture[str]) -> None:
    """--reset, --head-start and --exact change the chart as they say."""
    line = "cusum --values 2,2,2,2,2,2 --target 0 --allowance 0.5 --decision 4"
    assert _json(capsys, line)["signals"] == [3, 4, 5, 6]
    assert _json(capsys, f"{line} --reset")["signals"] == [3, 6]
    assert _json(capsys, f"{line} --reset --head-start 2")["signals"] == [2, 4, 6]
    line = "ewma --values 2,2,-1 --start 0 --sigma 1 --weight 0.2 --limit 1.9"
    assert _json(capsys, line)["signals"] == [2]
    assert _json(capsys, f"{line} --exact")["signals"] == [1, 2]


@pytest.mark.parametrize("form", ["-", "left out", "file", "@file"])
def test_values_come_from_files_and_standard_input(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    form: str,
) -> None:
    """One value a line, from standard input or a file, is the same as in place."""
    text = "# the first night\n" + EWMA.replace(",", "\n") + "\n\n"
    path = tmp_path / "travel times.txt"
    path.write_text(text, encoding="utf-8")
    monkeypatch.setattr(sys, "stdin", io.StringIO(text))
    words = {
        "-": ["--values", "-"],
        "left out": [],
        "file": ["--values", str(path)],
        "@file": ["--values", f"@{path}"],
    }[form]
    assert main(["calc", "ewma", *words, *EWMA_OPTIONS.split(), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == _json(
        capsys, f"ewma --values {EWMA} {EWMA_OPTIONS}"
    )


def test_failures_and_survivors_from_files(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Both lists may come from files, or one from standard input."""
    running = tmp_path / "running.txt"
    running.write_text("500x10\n", encoding="utf-8")
    monkeypatch.setattr(sys, "stdin", io.StringIO(NIST_FAILURES.replace(",", "\n")))
    answer = _json(capsys, f"weibull --failures - --censored {running}")
    assert answer["beta"] == pytest.approx(1.7208, abs=5e-5)


def test_weibull_by_ranks_and_with_bounds(capsys: pytest.CaptureFixture[str]) -> None:
    """The other method and the bounds come when they are asked for."""
    # D. Kececioglu, Reliability Engineering Handbook.
    ranks = _json(capsys, "weibull --failures 16,34,53,75,93,120 --by-ranks")
    assert ranks["beta"] == pytest.approx(1.4302, abs=2e-3)
    answer = _json(capsys, f"weibull --failures {NIST_FAILURES} --censored 500x10 --bounds 0.9")
    bounds = answer["bounds"]
    assert isinstance(bounds, dict)
    assert bounds["b10"][0] < 164.02 < bounds["b10"][1]
    assert main(["calc", "weibull", "--failures", "1,2", "--censored", "3", "--bounds", "0.9"]) == 0
    assert "bounds at 0.9" in capsys.readouterr().out


REFUSED = [
    ("air --bore 0in --stroke 6in --pressure 100psi --rate 60/min", "the bore must be above 0"),
    ("air --bore -1in --stroke 6in --pressure 100psi --rate 60/min", "the bore must be above 0"),
    ("air --bore nan --stroke 6in --pressure 100psi --rate 60/min", "--bore: 'nan'"),
    ("air --bore 1.5in --stroke 6in --pressure -5psi --rate 60/min", "0 or more"),
    ("air --bore 1.5in --stroke 6in --pressure 100psi --rate 60", "--rate: '60' has no unit"),
    ("air --bore 1.5in --stroke 6in --pressure 100psi --rate 60/min --rod 2in", "does not fit"),
    ("force --bore 2 --pressure 60psi", "--bore: '2' has no unit; write a length, such as 2 in"),
    ("force --bore 2psi --pressure 60psi", "is a pressure, not a length"),
    ("force --bore 1e200in --pressure 60psi", "beyond anything real"),
    ("tank --volume 660gal --from 100psi --to 110psi", "must fall"),
    ("receiver --minutes 6 --use 5 --supply 20 --from 100psi --to 80psi", "no receiver"),
    ("leak --volume 50ft3 --from 100psi --to 50psi", "missing: --time"),
    ("leak", "options are missing"),
    ("leak --on 8min --time 3min", "different questions"),
    ("leak --on 0min --off 0min", "above 0"),
    ("valve --cv 0 --up 100psi --down 95psi", "Cv must be above 0"),
    ("valve --cv 1 --up 90psi --down 95psi", "does not flow that way"),
    ("valve --cv 1 --up 90psi --down 85psi --temp -500degF", "absolute temperature"),
    ("valve --cv 1psi --up 90psi --down 85psi", "not a plain number"),
    ("valve --conductance 2 --critical 1 --up-abs 5bar --down-abs 4bar", "under 1"),
    ("valve --conductance 2 --critical 0.3 --up-abs 4bar --down-abs 5bar", "does not flow"),
    ("swing --stroke 2in --angle 0deg", "the angle must be above 0"),
    ("swing --stroke 2in --angle 270deg", "180 is the most"),
    ("swing --arm 3in --base 4in --length 8in", "must measure 1 to 7 in"),
    ("swing --stroke 2in --arm 3in", "different questions"),
    ("coil --power 4.8W --voltage 0V", "the voltage must be above 0"),
    ("wire --awg 99 --length 100ft --current 2A", "AWG must be 1 to 30"),
    ("wire --awg 18 --length 0ft --current 2A", "the length must be above 0"),
    ("blocked --rate 0/h --busy 45s", "the rate must be above 0"),
    ("blocked --rate 30/h --busy -45s", "0 or more"),
    ("life --b10d 20000000 --days 400 --hours 8 --every 10s", "no 400 days"),
    ("life --b10d 20000000 --days 220 --hours 8 --every 0s", "above 0"),
    ("weibull --failures 100,100", "too alike"),
    ("weibull --failures 100,x", "--failures"),
    ("weibull --failures 100,0", "a time must be above 0"),
    ("weibull --failures 100,200 --censored 500x0", "no sensible number of times"),
    ("weibull --failures 100,200 --censored 5x999999999", "no sensible number of times"),
    ("weibull --failures - --censored -", "cannot both be standard input"),
    ("weibull --failures 1,2 --bounds 2", "between 0 and 1"),
    (f"ewma --values 1,2 {EWMA_OPTIONS} --sigma 0", "sigma must be above 0"),
    (f"ewma --values 1,2 {EWMA_OPTIONS} --weight 1.5", "at most 1"),
    (f"ewma --values 1,nan {EWMA_OPTIONS}", "neither a list of numbers nor a file"),
    (f"ewma --values , {EWMA_OPTIONS}", "no values"),
    (f"ewma --values /no/such/file {EWMA_OPTIONS}", "nor a file to read"),
    ("cusum --values 1 --target 0 --allowance -1 --decision 4", "the allowance"),
    ("cusum --values 1 --target 0 --allowance 1 --decision 4 --head-start 5", "signal at once"),
    ("spares --mean -1 --confidence 0.95", "the mean must be 0 or more"),
    ("spares --mean 2 --confidence 1", "between 0 and 1"),
    ("spares --mean 2 --confidence 95", "between 0 and 1"),
]


@pytest.mark.parametrize(("line", "says"), REFUSED, ids=[row[0] for row in REFUSED])
@pytest.mark.parametrize("form", [[], ["--json"]], ids=["table", "json"])
def test_impossible_input_is_refused(
    capsys: pytest.CaptureFixture[str], line: str, says: str, form: list[str]
) -> None:
    """Exit code 2, one message and a hint on stderr, nothing on stdout."""
    assert main(["calc", *line.split(), *form]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith(f"sexton: calc {line.split()[0]}: ")
    assert says in printed.err
    assert len(printed.err.splitlines()) <= 2


@pytest.mark.parametrize(
    "line", ["", "nothing", "force --bore 1in", "force --bor 1in --pressure 60psi", "coil --power"]
)
def test_a_wrong_command_line_ends_with_2(capsys: pytest.CaptureFixture[str], line: str) -> None:
    """Unknown figures, missing and shortened options are refused by the parser."""
    with pytest.raises(SystemExit) as caught:
        main(["calc", *line.split()])
    assert caught.value.code == 2
    assert "usage:" in capsys.readouterr().err


def test_a_bad_line_of_a_file_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A file's error names file and line; a folder and bytes that are no text are refused."""
    path = tmp_path / "values.txt"
    path.write_text("52.0\nfast\n", encoding="utf-8")
    assert main(["calc", "ewma", "--values", str(path), *EWMA_OPTIONS.split()]) == 2
    assert f"{path}:2: 'fast'" in capsys.readouterr().err
    path.write_bytes(b"\xff\xfe\x00")
    assert main(["calc", "ewma", "--values", str(path), *EWMA_OPTIONS.split()]) == 2
    assert "it is not text" in capsys.readouterr().err
    assert main(["calc", "ewma", "--values", str(tmp_path), *EWMA_OPTIONS.split()]) == 2
    assert "nor a file to read" in capsys.readouterr().err


def test_missing_values_on_a_terminal_do_not_wait(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a person at the keyboard a forgotten list is an error, not a hang."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal())
    assert main(["calc", "ewma", *EWMA_OPTIONS.split()]) == 2
    assert "--values is missing" in capsys.readouterr().err


@pytest.mark.parametrize(
    "figure",
    ["", *sorted({row[0].split()[0] for row in SCALARS} | {"ewma", "cusum"})],
)
def test_help_gives_examples(capsys: pytest.CaptureFixture[str], figure: str) -> None:
    """Every figure explains itself with an example."""
    with pytest.raises(SystemExit) as caught:
        main(["calc", *figure.split(), "--help"])
    assert caught.value.code == 0
    assert "sexton calc" in capsys.readouterr().out.split("examples:")[1]


def test_the_examples_in_the_help_work(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """What the help shows can be typed as it stands."""
    monkeypatch.chdir(tmp_path)
    Path("lives.txt").write_text(NIST_FAILURES.replace(",", "\n"), encoding="utf-8")
    shown: list[str] = []
    for figure in ("", *(row[0].split()[0] for row in SCALARS), "ewma", "cusum"):
        with pytest.raises(SystemExit):
            main(["calc", *figure.split(), "--help"])
        shown += capsys.readouterr().out.split("examples:\n")[1].splitlines()
    lines = {line.strip() for line in shown if line.startswith("  sexton calc")}
    assert len(lines) >= 18
    for line in sorted(lines):
        assert main(line.split()[1:]) == 0, line
