#!/bin/sh
# From a fresh clone to linked records at a subscriber: makes .venv, installs, runs the invented day.
#
#   sh deploy/demo.sh                  and then serves the pages until Ctrl-C
#   sh deploy/demo.sh --once --json    prints one JSON document and exits 0 if everything arrived
set -eu
home=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)  # the caller stays where it stands: what is printed is pasted there

python="${PYTHON:-python3}"
if [ ! -x "$home/.venv/bin/python" ]; then
    echo "Making .venv and installing, about a minute ..." >&2
    "$python" -m venv "$home/.venv"
fi
"$home/.venv/bin/python" -m pip install --quiet --disable-pip-version-check -e "$home" >&2
exec "$home/.venv/bin/bandgate" demo "$@"
