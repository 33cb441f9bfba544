"""The arithmetic of a closing: clamp, torque, pressure map, and what was kept of it."""
