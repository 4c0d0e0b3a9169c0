# Three short names for what DEVELOPERS.md writes out; nothing happens only here. Not needed, and not for Windows.
PYTHON = .venv/bin/python

.PHONY: install check test ci
install:
	python3 -m venv .venv
	$(PYTHON) -m pip install -c constraints.txt -e '.[dev]'
check:
	$(PYTHON) -m ruff check .
	$(PYTHON) -m ruff format --check .
	$(PYTHON) -m mypy
test:
	$(PYTHON) -m pytest
ci:
	bash .ci/run
