"""Models and the chain from frames to finds, and the command line."""
