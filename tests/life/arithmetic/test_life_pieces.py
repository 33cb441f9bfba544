"""Lives over several builds, all parts at once: the same as following each part by hand."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.life.arithmetic.life_pieces import NEVER_FAILED, Parts, Pieces, Sat, Why, pieces
from service.platform.arithmetic.errors import Inconsistent


class Build(NamedTuple):
    group: int
    hours: float
    unread: bool = False


class Part(NamedTuple):
    builds: Sequence[Build]
    before: float = 0.0
    fitted: bool = True
    missing: bool = False
    failed_place: int = NEVER_FAILED
    failed_h: float = 0.0
    unknown_before: bool = False


BUILD = st.builds(
    Build, st.integers(1, 2), st.integers(0, 900).map(float), st.sampled_from([False, False, True])
)
PART = st.builds(
    lambda builds, before, fitted, missing, place, share: Part(
        builds,
        float(before),
        fitted and not missing,
        missing,
        place if place < len(builds) else NEVER_FAILED,
        before
        + sum(one.hours for one in builds[:place])
        + (share * builds[place].hours if place < len(builds) else 0.0),
    ),
    st.lists(BUILD, max_size=6),
    st.integers(0, 500),
    st.booleans(),
    st.sampled_from([False, False, False, True]),
    st.integers(0, 12),
    st.sampled_from([0.0, 0.25, 1.0]),
)


def found(parts: Sequence[Part]) -> Pieces:
    """All parts at once."""
    builds = [(at, build) for at, part in enumerate(parts) for build in part.builds]
    return pieces(
        Parts(
            np.array([part.before for part in parts], dtype=float),
            np.array([part.unknown_before for part in parts], dtype=bool),
            np.array([part.fitted for part in parts], dtype=bool),
            np.array([part.missing for part in parts], dtype=bool),
            np.array([part.failed_place for part in parts], dtype=int),
            np.array([part.failed_h for part in parts], dtype=float),
        ),
        Sat(
            np.array([at for at, _ in builds], dtype=int),
            np.array([build.group for _, build in builds], dtype=int),
            np.array([build.hours for _, build in builds], dtype=float),
            np.array([build.unread for _, build in builds], dtype=bool),
        ),
    )


def by_hand(part: Part) -> list[tuple[int, float, float, str, Why]]:
    """One part, build after build."""
    told = []
    own, exact, failed = part.before, True, part.failed_place != NEVER_FAILED
    builds = part.builds[: part.failed_place + 1] if failed else part.builds
    at = 0
    while at < len(builds):
        group, entry, entry_exact, unread = builds[at].group, own, exact, False
        while at < len(builds) and builds[at].group == group:
            own += builds[at].hours
            unread |= builds[at].unread
            at += 1
        exact = exact and not unread
        last = at == len(builds)
        stays = part.fitted and last and len(builds) == len(part.builds)
        ends_here = failed and last
        until = max(entry, part.failed_h) if ends_here else own
        why = Why.KNOWN
        if last and part.missing:
            why = Why.MISSING
        elif not entry_exact:
            why = Why.NO_HOURS_AT_ENTRY
        elif not ends_here and until == entry and unread:
            why = Why.NO_HOURS
        elif ends_here and not exact:
            why = Why.NO_HOURS_AT_FAILURE
        end = "failed" if ends_here else "running" if stays else "removed"
        told.append((group, entry, until, end, why))
    return told


@given(st.lists(PART, max_size=12))
def test_all_at_once_is_the_same_as_each_by_hand(parts: list[Part]) -> None:
    many = found(parts)

    expected = [(at, *one) for at, part in enumerate(parts) for one in by_hand(part)]
    assert len(many.part) == len(expected)
    for at, (part, group, entry, until, end, why) in enumerate(expected):
        assert (many.part[at], many.group[at], many.why[at]) == (part, group, why)
        assert many.entry_h[at] == pytest.approx(entry, abs=1e-5)
        assert many.exit_h[at] == pytest.approx(until, abs=1e-5)
        assert many.failed[at] == (end == "failed")
        assert many.running[at] == (end == "running")


@given(st.lists(PART.filter(lambda part: not any(b.unread for b in part.builds)), max_size=12))
def test_pieces_together_are_watched_as_long_as_the_whole(parts: list[Part]) -> None:
    whole = found(
        [part._replace(builds=[one._replace(group=1) for one in part.builds]) for part in parts]
    )
    cut = found(parts)

    for at in range(len(parts)):
        if parts[at].missing:
            continue
        one, own = whole.of(whole.part == at), cut.of(cut.part == at)
        assert own.watched_h == pytest.approx(one.watched_h, abs=1e-5)
        assert own.failures <= 1


def test_those_to_be_counted_are_told_from_the_others() -> None:
    ran, unread = Build(1, 300.0), Build(1, 0.0, unread=True)
    many = found(
        [
            Part([ran]),
            Part([ran], fitted=False),
            Part([ran], failed_place=0, failed_h=120.0),
            Part([ran], fitted=False, missing=True),
            Part([unread]),
            Part([unread, ran], failed_place=1, failed_h=300.0),
            Part([Build(1, 0.0)], before=40.0),
            Part([unread, ran], before=500.0),
        ]
    )

    lives = many.of(np.ones(len(many.part), dtype=bool))

    assert (lives.n, lives.running, lives.removed, lives.failures) == (4, 2, 1, 1)
    assert (lives.unknown, lives.unwatched, lives.late) == (3, 1, 1)
    assert lives.exit_h.tolist() == [300.0, 300.0, 120.0, 800.0]


def test_builds_must_stand_by_part() -> None:
    none = np.zeros(2)
    parts = Parts(none, none > 0, none > 0, none > 0, none.astype(int) - 1, none)
    sat = Sat(np.array([1, 0]), np.array([1, 1]), none, none > 0)

    with pytest.raises(Inconsistent):
        pieces(parts, sat)
