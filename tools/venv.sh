#!/bin/sh
# Makes the virtual environment named by the first argument, with the first
# Python on the path that is new enough and has venv; PYTHON=... chooses another.
set -eu
venv=$1
for python in ${PYTHON:-python3.11 python3.12 python3.13 python3.14 python3 python}; do
    if "$python" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        echo "Making $venv with $("$python" --version)"
        exec "$python" -m venv "$venv"
    fi
done
echo "Tubewright needs Python 3.11 or newer with venv (on Debian: apt-get install python3 python3-venv)." >&2
exit 1
