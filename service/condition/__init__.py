"""Cell voltages, polarisation curves and open circuit."""
