#!/bin/sh
# Run everything: lint, types, tests. Makes .venv if need be and installs what the tests need.
set -eu
cd "$(dirname "$0")/.."

python="${PYTHON:-python3}"
[ -x .venv/bin/python ] || "$python" -m venv .venv
.venv/bin/python -m pip install --quiet --disable-pip-version-check -e '.[test]'

.venv/bin/ruff check .
.venv/bin/ruff format --check .
.venv/bin/mypy
exec .venv/bin/python -m pytest -n 2 --dist loadfile --no-loadscope-reorder "$@"
