"""How fast pictures are drawn."""
