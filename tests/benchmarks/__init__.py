"""Tests of the benchmarks that are cheap enough to run with the others."""
