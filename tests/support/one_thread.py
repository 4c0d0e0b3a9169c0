"""Imported first by benchmarks: linear algebra on one thread, as the `bayfix` command has it."""

from vision.threads import hold_to_one_thread

hold_to_one_thread()
