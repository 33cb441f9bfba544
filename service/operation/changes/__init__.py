"""One change of state, one transaction, one entry of the trail."""
