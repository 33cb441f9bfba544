"""Words of people, without database or clock."""
