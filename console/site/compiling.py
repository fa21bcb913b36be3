"""What the loader works out: numbers on a controller, and steps by output number."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from console.site.kinds import DEFAULT_MAX_ON_MS
from console.site.models import (
    OutputKind,
    Prop,
    Site,
    Step,
    WrittenStep,
)


def compiled(site: Site) -> Site:
    """The site with `shared`, prop indices, sequence numbers and steps filled in.

    Numbers run from 1 on each controller: props in the order of the file, and for each prop its
    sequences in the order of the file and then its idle movement.
    """
    on_line = Counter(c.line for c in site.controllers)
    controllers = tuple(
        c.model_copy(update={"shared": on_line[c.line] > 1}) for c in site.controllers
    )
    indices: Counter[str] = Counter()
    numbers: Counter[str] = Counter()
    props = []
    for prop in site.props:
        indices[prop.controller] += 1
        done = _prop(prop, indices[prop.controller], numbers[prop.controller])
        numbers[prop.controller] += len(done.sequences) + (done.idle is not None)
        props.append(done)
    return site.model_copy(update={"controllers": controllers, "props": tuple(props)})


def _prop(prop: Prop, index: int, numbered: int) -> Prop:
    outputs = tuple(
        o.model_copy(update={"max_on_ms": DEFAULT_MAX_ON_MS.get(o.kind)})
        if o.max_on_ms is None
        else o
        for o in prop.outputs
    )
    prop = prop.model_copy(update={"index": index, "outputs": outputs})
    sequences = tuple(
        s.model_copy(update={"number": number, "steps": steps_of(prop, s.written)})
        for number, s in enumerate(prop.sequences, numbered + 1)
    )
    idle = prop.idle and prop.idle.model_copy(
        update={
            "number": numbered + len(sequences) + 1,
            "steps": steps_of(prop, prop.idle.written),
        }
    )
    return prop.model_copy(update={"sequences": sequences, "idle": idle})


def steps_of(prop: Prop, written: Iterable[WrittenStep]) -> tuple[Step, ...]:
    """Steps by output number, in order of time; names the prop doesn't have are left out.

    A sound is switched on earlier by its start delay, so that it is heard when the file says; never
    before 0.
    """
    channels = {c.name: c for c in prop.channels}
    steps = []
    for row, step in enumerate(written):
        for switched in step.switches:
            channel = channels.get(switched.name)
            if channel is None:
                continue
            early = channel.start_delay_ms if switched.on else 0
            steps.append(
                Step(
                    at_ms=max(0, step.at_ms - (early if channel.kind is OutputKind.SOUND else 0)),
                    output=channel.output,
                    on=switched.on,
                    partial=step.partial,
                    row=row,
                )
            )
    # Stable, so that steps of one time keep the order of the file.
    return tuple(sorted(steps, key=lambda s: s.at_ms))
