"""What the scorecard promises, measured: speed, coverage of its intervals, power of the guard."""
