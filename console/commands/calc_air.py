"""`sexton calc` for air: use, tanks, leaks, valves."""

from __future__ import annotations

import argparse

from console.commands.calc_common import (
    Answer,
    Row,
    Subparsers,
    add_figure,
    given,
    together,
    volume_ft3,
)

_SOURCEBOOK = "US DOE, Compressed Air Sourcebook, leak tests"
_ESPOSITO = "A. Esposito, Fluid Power with Applications"

_BLEED = ("--volume", "--from", "--to", "--time")
_RHYTHM = ("--on", "--off")
_BY_CV = ("--cv", "--up", "--down")
_BY_CONDUCTANCE = ("--conductance", "--critical", "--up-abs", "--down-abs")


def add(subparsers: Subparsers) -> None:
    """Define these figures."""
    add_figure(
        subparsers,
        "air",
        "free air that a cylinder uses",
        _air,
        examples=("--bore 1.5in --stroke 6in --pressure 100psi --rate 60/min",),
        needs=("--bore", "--stroke", "--pressure", "--rate"),
        offers=("--rod",),
        help_for={
            "--rate": "cycles in a time, such as 60/min",
            "--rod": "rod diameter, for a double-acting one",
        },
    ).add_argument(
        "--acting",
        choices=("single", "double"),
        help="which way air drives it (default: single, or double where a rod is given)",
    )
    add_figure(
        subparsers,
        "tank",
        "free air that a tank gives while its pressure falls",
        _tank,
        examples=("--volume 660gal --from 110psi --to 100psi",),
        needs=("--volume", "--from", "--to"),
    )
    add_figure(
        subparsers,
        "receiver",
        "the tank that carries a use which the compressor cannot",
        _receiver,
        examples=("--minutes 6 --use 20 --supply 5 --from 100psi --to 80psi",),
        needs=("--minutes", "--use", "--supply", "--from", "--to"),
        help_for={
            "--minutes": "how long it must last",
            "--use": "free air used, in scfm",
            "--supply": "free air that the compressor gives meanwhile, in scfm",
        },
    )
    add_figure(
        subparsers,
        "leak",
        "a leak, by the fall of pressure or by the compressor's rhythm with nothing in use",
        _leak,
        examples=(
            "--volume 50ft3 --from 100psi --to 50psi --time 10min",
            "--on 8min --off 48min",
        ),
        offers=(*_BLEED, *_RHYTHM),
    )
    add_figure(
        subparsers,
        "valve",
        "flow through a valve, by its Cv or by its sonic conductance",
        _valve,
        examples=(
            "--cv 1 --up 100psi --down 95psi --temp 80degF",
            "--conductance 2 --critical 0.3 --up-abs 5bar --down-abs 4bar",
        ),
        offers=(*_BY_CV, *_BY_CONDUCTANCE, "--temp"),
        help_for={
            "--temp": "of the air upstream (default: 80 degF by Cv, 20 degC by conductance)",
        },
    )


def _air(arguments: argparse.Namespace) -> Answer:
    from console.figures.air import cycle_air
    from console.figures.cylinder import Acting, Cylinder

    acting = Acting(arguments.acting or ("double" if arguments.rod else "single"))
    cylinder = Cylinder(
        bore_in=given("--bore", arguments.bore, "in"),
        stroke_in=given("--stroke", arguments.stroke, "in"),
        rod_in=given("--rod", arguments.rod, "in") if arguments.rod else 0.0,
        acting=acting,
    )
    used = cycle_air(cylinder, given("--pressure", arguments.pressure, "psi"))
    rate = given("--rate", arguments.rate, "1/min")
    ways = "out and back" if acting is Acting.DOUBLE else "out only"
    return Answer(
        rows=(
            Row("free_air_scfm", used.per_minute_scfm(rate), "free air", "scfm"),
            Row("per_cycle_scf", used.per_cycle_scf, "each cycle", "scf"),
            Row("compression_ratio", used.compression_ratio, "compression ratio"),
        ),
        formula=f"swept volume x (p + 14.7) / 14.7 x rate, {ways}",
        source=f"{_ESPOSITO}, ex. 13-12; US DOE MEASUR, PneumaticAirRequirement",
    )


def _tank(arguments: argparse.Namespace) -> Answer:
    from console.figures.receiver import usable_scf

    usable = usable_scf(volume_ft3("--volume", arguments.volume), *_fall(arguments))
    return Answer(
        rows=(Row("usable_scf", usable, "usable", "scf"),),
        formula="V (P1 - P2) / 14.7, 7.48 gal to the cubic foot",
        source="US DOE MEASUR, ReceiverTank",
    )


def _receiver(arguments: argparse.Namespace) -> Answer:
    from console.figures.receiver import GALLONS_PER_FT3, receiver_ft3

    volume = receiver_ft3(
        given("--minutes", arguments.minutes, "min", bare=True),
        given("--use", arguments.use, "scfm", bare=True),
        given("--supply", arguments.supply, "scfm", bare=True),
        *_fall(arguments),
    )
    return Answer(
        rows=(Row("volume_gal", volume * GALLONS_PER_FT3, "receiver", "gal"),),
        formula="t (use - supply) 14.7 / (P1 - P2), 7.48 gal to the cubic foot",
        source=f"{_ESPOSITO}, ex. 13-7",
    )


def _leak(arguments: argparse.Namespace) -> Answer:
    from console.figures.leak import bleed_down_cfm, load_unload_percent

    if together(arguments, _BLEED, _RHYTHM) == 0:
        volume = volume_ft3("--volume", arguments.volume)
        cfm = bleed_down_cfm(volume, *_fall(arguments), given("--time", arguments.time, "min"))
        return Answer(
            rows=(Row("leak_cfm", cfm, "leak", "cfm of free air"),),
            formula="V (P1 - P2) / (T 14.7) x 1.25",
            source=_SOURCEBOOK,
        )
    percent = load_unload_percent(
        given("--on", arguments.on, "min"), given("--off", arguments.off, "min")
    )
    return Answer(
        rows=(Row("leak_percent", percent, "leak", "% of the compressor"),),
        formula="T / (T + t) x 100",
        source=_SOURCEBOOK,
        note="under 10 % is well kept, 20 % and more poorly",
    )


def _valve(arguments: argparse.Namespace) -> Answer:
    from console.figures.valve import ANR_DEGF, CV_DEGF, conductance_flow_lpm, cv_flow_scfm

    by_cv = together(arguments, _BY_CV, _BY_CONDUCTANCE) == 0
    temp_degf = CV_DEGF if by_cv else ANR_DEGF
    if arguments.temp is not None:
        temp_degf = given("--temp", arguments.temp, "degF")
    if by_cv:
        flow = cv_flow_scfm(
            given("--cv", arguments.cv, "", bare=True),
            given("--up", arguments.up, "psi"),
            given("--down", arguments.down, "psi"),
            temp_degf,
        )
        return Answer(
            rows=(Row("flow_scfm", flow, "flow", "scfm"),),
            formula="22.48 Cv sqrt((p1 - p2) p2 / T1); choked, 22.7 Cv with p2 = 0.53 p1",
            source=f"NFPA T3.21.3; choked, {_ESPOSITO}, ex. 13-10",
        )
    flow = conductance_flow_lpm(
        given("--conductance", arguments.conductance, "dm3/s/bar", bare=True),
        given("--critical", arguments.critical, "", bare=True),
        given("--up-abs", arguments.up_abs, "bar"),
        given("--down-abs", arguments.down_abs, "bar"),
        temp_degf,
    )
    return Answer(
        rows=(Row("flow_lpm_anr", flow, "flow", "L/min ANR"),),
        formula="60 C p1 sqrt(293.15 / T) sqrt(1 - ((r - b) / (1 - b))^2); choked for r <= b",
        source="ISO 6358-1",
    )


def _fall(arguments: argparse.Namespace) -> tuple[float, float]:
    return given("--from", arguments.from_, "psi"), given("--to", arguments.to, "psi")
