"""What the entry that names another stack's record is made of."""

from typing import Annotated

from pydantic import Field

from service.platform.changes import In, KnownTime, Words
from service.records.tables import RecordKind


class DonorNamed(In):
    """Parts come from another stack: the record they are lifted off in there, or the stack."""

    donor_record_id: Annotated[int, Field(ge=1, le=2**53)] | None = None
    donor_stack: Annotated[str, Field(max_length=80)] = Field(
        default="", description="serial; a record of it is begun where none is being written"
    )
    donor_kind: RecordKind | None = Field(
        default=None, description="of a record that is begun: rebuild or teardown"
    )
    note: Words = ""
    done_at: KnownTime
