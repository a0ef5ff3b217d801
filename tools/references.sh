#!/bin/sh
# Sees to it that the tests find the programs and pictures they compare with:
# cvt, gtf, edid-decode, ngspice, and the chessboard photographs of OpenCV's documentation.
# Installs Debian's where it may, elsewhere says in one line what is missing. Never
# fails: without them those comparisons are left out, and the test report lists them.
set -u
export DEBIAN_FRONTEND=noninteractive
missing=""
command -v cvt >/dev/null 2>&1 || missing="$missing xcvt"
command -v gtf >/dev/null 2>&1 || missing="$missing xserver-xorg-core"
command -v edid-decode >/dev/null 2>&1 || missing="$missing edid-decode"
command -v ngspice >/dev/null 2>&1 || missing="$missing ngspice"
[ -d /usr/share/doc/opencv-doc ] || missing="$missing opencv-doc"
[ -n "$missing" ] || exit 0
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
    echo "Installing what the tests compare with (once):$missing"
    apt-get update -qq >/dev/null 2>&1 </dev/null
    # One by one: a package that this system doesn't have keeps none of the others away.
    still=""
    for package in $missing; do
        apt-get install -y -qq --no-install-recommends "$package" >/dev/null 2>&1 </dev/null || still="$still $package"
    done
    missing=$still
    [ -n "$missing" ] || exit 0
fi
echo "Some comparisons are left out; on Debian: apt install --no-install-recommends$missing"
exit 0
