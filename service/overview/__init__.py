"""The first page and the search field: what needs whom."""
