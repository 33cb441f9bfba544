"""Numbers in addresses: no greater than the databases can hold, so that none of them overflows."""

from typing import Annotated

from fastapi import Path

Number = Annotated[int, Path(ge=1, le=2**63 - 1)]
"""The number of a part, record, lot … in an address."""
