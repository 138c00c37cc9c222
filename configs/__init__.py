"""Configuration files that ship with the package: missions, recipes, models, rulebooks (data only)."""
