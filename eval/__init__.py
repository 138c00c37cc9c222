"""How good is it, how sure are we, what is it worth: measured from files on disk, for anybody's detector.

Free of torch. Numbers are returned by pure functions; only the report and the command line turn them into words.
(The package's name shadows a builtin: import from its modules, ``from eval.proportions import wilson_interval``.)
"""
