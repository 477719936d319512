#!/bin/sh
# From a fresh clone to linked records at a subscriber: makes .venv, installs, runs the invented day.
#
#   sh deploy/demo.sh                  and then serves the pages until Ctrl-C
#   sh deploy/demo.sh --once --json    prints one JSON document and exits 0 if everything arrived
set -eu
cd "$(dirname "$0")/.."

python="${PYTHON:-python3}"
if [ ! -x .venv/bin/python ]; then
    echo "Making .venv ..." >&2
    "$python" -m venv .venv
fi
if ! .venv/bin/bandgate --version >/dev/null 2>&1; then
    echo "Installing, about a minute ..." >&2
    .venv/bin/python -m pip install --quiet --disable-pip-version-check . >&2
fi
exec .venv/bin/bandgate demo "$@"
