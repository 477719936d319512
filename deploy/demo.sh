#!/bin/sh
# From a fresh clone to linked records at a subscriber: makes .venv, installs, runs the invented day.
#
#   sh deploy/demo.sh                  and then serves the pages until Ctrl-C
#   sh deploy/demo.sh --once --json    prints one JSON document and exits 0 if everything arrived
set -eu
cd "$(dirname "$0")/.."

python="${PYTHON:-python3}"
if [ ! -x .venv/bin/python ]; then
    echo "Making .venv and installing, about a minute ..." >&2
    "$python" -m venv .venv
fi
.venv/bin/python -m pip install --quiet --disable-pip-version-check -e . >&2
exec .venv/bin/bandgate demo "$@"
