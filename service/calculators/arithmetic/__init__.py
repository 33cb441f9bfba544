"""Pure computation: no database, no HTTP, no clock, no disk."""
