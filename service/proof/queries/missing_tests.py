"""What the tests of a closed stack leave open when a record is handed in, in sentences.

Nothing of it keeps anybody from handing in: the gate to hydrogen stays shut.
"""

from collections import defaultdict

from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.release_gate import Wanted
from service.proof.queries.build_verdicts import ClosedVerdicts
from service.records.queries.record_heads import Head


def tests_in_words(head: Head, closed: ClosedVerdicts | None) -> tuple[str, ...]:
    """What of the wanted verdicts is not there, outdated or no pass? No statement.

    Of a record that closed the stack, everything; of one that found it closed, what its tests
    and what was done in it have changed.
    """
    if closed is None:
        return ()
    is_closed = head.closed_at is not None
    wanted = [it for it in closed.wanted if it.what != "limits of the closed clamp"]
    by_sentence: dict[str, list[str]] = defaultdict(list)
    for it in wanted:
        if not it.opens and (is_closed or it.verdict is not None):
            by_sentence[_why(it)].append(it.what)
    return tuple(f"{why}: {', '.join(what)}." for why, what in by_sentence.items())


def _why(it: Wanted) -> str:
    if it.verdict is None:
        return "Not tested"
    if it.outdated_by:
        return f"Test again, for since the test there was a {it.outdated_by}"
    return {
        Verdict.FAIL: "Failed, the gate to hydrogen stays shut",
        Verdict.UNDECIDED: "Undecided",
    }.get(it.verdict, str(it.verdict))
