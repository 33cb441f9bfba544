"""The invented Tarnfield Electrochemistry Lab."""
