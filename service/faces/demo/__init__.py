"""The invented Tarnfield Electrochemistry Lab: two years of history, played by the changes."""
