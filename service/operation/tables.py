"""All tables, imported together so that the schema is whole."""

from service.bench import tables as bench
from service.closing import tables as closing
from service.designs import tables as designs
from service.life import tables as life
from service.limits import tables as limits
from service.people import tables as people
from service.planning import tables as planning
from service.platform import tables as platform
from service.proof import tables as proof
from service.records import tables as records
from service.runs import tables as runs
from service.stacks import tables as stacks
from service.store import tables as store
from service.taps import tables as taps

metadata = platform.Base.metadata

__all__ = [
    "bench",
    "closing",
    "designs",
    "life",
    "limits",
    "metadata",
    "people",
    "planning",
    "platform",
    "proof",
    "records",
    "runs",
    "stacks",
    "store",
    "taps",
]
