"""What one proposed, put in force by another."""

from collections.abc import Sequence

from service.bench.changes.proposals import approve_proposal
from service.demo.days import When
from service.demo.lab import PASSPHRASE, Lab
from service.store.tables import ProposedChange


def put_in_force(lab: Lab, when: When, proposed: Sequence[int]) -> None:
    """Let Olu approve what somebody else proposed."""
    with lab.work(when, "olu") as work:
        for proposal_id in proposed:
            content = work.session.get_one(ProposedChange, proposal_id).content_sha256
            approve_proposal(work, proposal_id, content_sha256=content, password=PASSPHRASE)
