#!/bin/sh
# Sees to it that the tests find a Chromium: installs Debian's where it may,
# elsewhere says in one line how. Never fails: without one the browser tests are
# left out, and the test report lists them.
set -u
root=$(dirname "$0")/..
export DEBIAN_FRONTEND=noninteractive
if "$root/.venv/bin/python" "$root/tests/browsers.py" >/dev/null 2>&1; then
    exit 0
fi
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
    echo "Installing Chromium for the browser tests (once)"
    if { apt-get install -y -qq --no-install-recommends chromium fonts-dejavu-core ||
         { apt-get update -qq && apt-get install -y -qq --no-install-recommends chromium fonts-dejavu-core; }; } \
         >/dev/null 2>&1 </dev/null; then
        exit 0
    fi
    echo "Chromium could not be installed."
fi
echo "Browser tests are left out: install Chromium (apt install chromium, brew install --cask chromium) or name one in TUBEWRIGHT_CHROMIUM."
exit 0
