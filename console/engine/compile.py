"""From the site file's models to what each board is told."""

from __future__ import annotations

from collections.abc import Iterable

from console.engine.pauses import pauses
from console.site.models import Controller, Line, Prop, Site, TriggerSource
from console.site.models import Input as SiteInput
from console.site.models import Motion as SiteMotion
from drivers.port import PortSpec
from drivers.setup import BoardSetup, InputSetup, OutputSetup, PropSetup, SequenceSetup
from drivers.words import AtStop, InputKind, Level, OutputKind, SequenceKind, Sources

REPORT_MS = 500
LATE_SHARE = 1.5
"""A motion is late when it takes this many times what the site file says."""


def setup_of(site: Site, controller: Controller) -> BoardSetup:
    """What the board of this controller is told."""
    props = site.props_of_controller(controller.name)
    return BoardSetup(
        heartbeat_ms=site.rules.heartbeat_ms,
        report_ms=REPORT_MS,
        props=tuple(_prop(p) for p in props),
        outputs=tuple(o for p in props for o in _outputs(p)),
        inputs=tuple(i for p in props for i in _inputs(p)),
        sequences=(*(s for p in props for s in _sequences(p)), *pauses(site, controller)),
    )


def sources_of(prop: Prop, *, hand_only: bool) -> Sources:
    """The trigger sources to arm a prop for."""
    sources = Sources(0)
    if prop.trigger(TriggerSource.SENSOR) is not None and not hand_only:
        sources |= Sources.SENSOR
    if prop.trigger(TriggerSource.ACTOR) is not None:
        sources |= Sources.ACTOR
    if prop.trigger(TriggerSource.OPERATOR) is not None:
        sources |= Sources.OPERATOR
    return sources


def spec_of(line: Line) -> PortSpec:
    """How a line's port is found."""
    return PortSpec(line.usb_serial, line.usb_location, line.path, line.url, line.baud)


def _prop(prop: Prop) -> PropSetup:
    idle = prop.idle
    return PropSetup(
        number=prop.index,
        rest_ms=prop.rest_ms,
        sequence=prop.sequence(prop.default_sequence).number,
        area_input=prop.clear_area_input or 0,
        idle=idle.number if idle else 0,
        idle_least_ms=idle.between_min_ms if idle else 0,
        idle_most_ms=idle.between_max_ms if idle else 0,
    )


def _outputs(prop: Prop) -> Iterable[OutputSetup]:
    motions = {m.output: m for m in prop.motions}
    for channel in prop.channels:
        motion = motions.get(channel.output)
        out, home = _ends(motion)
        yield OutputSetup(
            number=channel.output,
            prop=prop.index,
            kind=OutputKind(channel.kind.value),
            at_stop=AtStop(channel.at_stop.value),
            longest_on_ms=channel.max_on_ms or 0,
            out_input=out.input if out else 0,
            home_input=home.input if home else 0,
            travel_ms=_late_after(motion) if out or home else 0,
        )


def _ends(motion: SiteMotion | None) -> tuple[SiteInput | None, SiteInput | None]:
    return (motion.end_sensor.out, motion.end_sensor.home) if motion else (None, None)


def _late_after(motion: SiteMotion | None) -> int:
    return round(LATE_SHARE * max(motion.travel_ms, motion.return_ms)) if motion else 0


def _inputs(prop: Prop) -> Iterable[InputSetup]:
    for source, kind in (
        (TriggerSource.SENSOR, InputKind.SENSOR),
        (TriggerSource.ACTOR, InputKind.ACTOR),
    ):
        trigger = prop.trigger(source)
        if trigger is not None and trigger.input is not None:
            yield InputSetup(
                trigger.input, prop.index, kind, Level(trigger.active.value), trigger.debounce_ms,
                trigger.warm_up_ms, trigger.clear_first,
            )  # fmt: skip
    ends = [end for m in prop.motions for end in _ends(m) if end is not None]
    for end in ends:
        yield InputSetup(
            end.input, prop.index, InputKind.END, Level(end.active.value), end.debounce_ms
        )
    if prop.clear_area is not None:
        area = prop.clear_area
        yield InputSetup(
            area.input, prop.index, InputKind.AREA, Level(area.active.value), area.debounce_ms
        )


def _sequences(prop: Prop) -> Iterable[SequenceSetup]:
    for sequence in prop.sequences:
        yield SequenceSetup(
            sequence.number, prop.index, SequenceKind.CYCLE, sequence.length_ms,
            tuple((s.at_ms, s.output, s.on) for s in sequence.steps),
        )  # fmt: skip
    if prop.idle is not None:
        yield SequenceSetup(
            prop.idle.number, prop.index, SequenceKind.IDLE, prop.idle.length_ms,
            tuple((s.at_ms, s.output, s.on) for s in prop.idle.steps),
        )  # fmt: skip
