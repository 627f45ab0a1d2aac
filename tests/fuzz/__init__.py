"""Coverage-guided fuzzing of everything that reads strangers' files.

``python -m tests.fuzz TARGET --seconds N`` runs one target with atheris, from the seeds of the fixtures; what
it finds lies in the folder that it names, and becomes a regression case as a file in ``found/TARGET/``.
"""
