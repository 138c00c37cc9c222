"""What the flight is: units, camera, geodesy, vocabulary, mission, rulebook and the files that pass between rooms.

This package is imported by every other one and imports none of them; it is free of torch.
"""
