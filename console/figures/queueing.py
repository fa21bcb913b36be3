"""How often a group meets a prop that is still busy.

A prop with a rest time is one server without a queue: a trigger that comes while it runs or rests
is lost. Triggers are taken to come at random, which is the worst of the usual cases.

Source: A. K. Erlang's loss formula (Erlang B).
"""

from __future__ import annotations

from dataclasses import dataclass

from console.figures.inputs import above_zero, fraction, not_negative


@dataclass(frozen=True, slots=True)
class Blocked:
    """Share of triggers that find the prop busy, and runs that remain in an hour."""

    blocked_fraction: float
    runs_per_hour: float


def erlang_b(servers: int, offered_erlang: float) -> float:
    """Return the share of calls that find all servers busy.

    B(0) = 1; B(n) = A B(n-1) / (n + A B(n-1)).

    Raises:
        FigureError: There are under 0 servers, or the offered load is under 0.
    """
    not_negative("the servers", servers)
    load = not_negative("the offered load", offered_erlang)
    share = 1.0
    for server in range(1, servers + 1):
        share = load * share / (server + load * share)
    return share


def offered_for(servers: int, blocked_share: float) -> float:
    """Return the load in erlang at which a share of calls is lost.

    Raises:
        FigureError: There is no server, or the share is not between 0 and 1.
    """
    above_zero("the servers", servers)
    fraction("the share", blocked_share)
    # Loss is at least 1 - servers / load, so this load loses at least the share.
    low, high = 0.0, servers / (1 - blocked_share)
    for _ in range(200):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        if erlang_b(servers, middle) < blocked_share:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def blocked(rate_per_h: float, busy_s: float) -> Blocked:
    """Return what a prop misses that is busy `busy_s` after each start, rest included.

    blocked = A / (1 + A) with A = rate x busy time.

    Raises:
        FigureError: The rate is not above 0, or the busy time under 0.
    """
    load = above_zero("the rate", rate_per_h) * not_negative("the busy time", busy_s) / 3600
    share = erlang_b(1, load)
    return Blocked(share, rate_per_h * (1 - share))
