"""Tests compute on one thread, as the `bayfix` command does."""

from vision.threads import hold_to_one_thread

hold_to_one_thread()
