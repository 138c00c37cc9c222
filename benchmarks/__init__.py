"""Measurements that are too slow or too far outside for the tests: what pays, how fast, how far it carries."""
