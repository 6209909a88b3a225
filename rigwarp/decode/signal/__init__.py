"""What one camera pixel measured: codes, phases, and the signal model that they are read by."""
