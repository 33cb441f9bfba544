"""Logs of test benches: from a file to hours and voltages."""
