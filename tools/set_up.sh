#!/bin/sh
# Set up .venv from the two lock files: one line on success, the reason on failure. Called by the Makefile.
set -eu

venv=.venv
log=$venv/set-up.log

fail() {
    echo "set-up failed: $1" >&2
    exit 1
}

# Prints the first interpreter that answers and lies in the range; locked wheels exist for 3.11 to 3.14.
find_python() {
    for candidate in "${PYTHON:-}" python3 python3.14 python3.13 python3.12 python3.11 python \
        "${PYENV_ROOT:-$HOME/.pyenv}"/versions/3.1[1-4].*/bin/python3; do
        [ -n "$candidate" ] || continue
        "$candidate" -c "import sys; sys.exit(not ((3, 11) <= sys.version_info < ($1)))" 2>/dev/null || continue
        echo "$candidate"
        return 0
    done
    return 1
}

bin=$venv/bin
[ "${OS:-}" = Windows_NT ] && bin=$venv/Scripts

if ! "$bin/python" -c "import sys, pip; sys.exit(sys.version_info < (3, 11))" 2>/dev/null; then
    python=$(find_python "3, 15") || python=$(find_python "4,") || fail \
        "Belvedere needs Python 3.11 or newer; found $(python3 --version 2>&1 || true). Install one, or name it: make PYTHON=/path/to/python3"
    "$python" -c "import ensurepip, venv" 2>/dev/null || fail \
        "$python cannot make virtual environments; on Debian and its kin: apt-get install python3-venv"
    echo "Setting up $venv with $("$python" --version) (about a minute the first time)"
    "$python" -m venv --clear "$venv" || fail "$python -m venv did not work"
else
    echo "Bringing $venv up to date with the lock files"
fi

pip() {
    "$bin/python" -m pip --disable-pip-version-check --no-input --quiet "$@" >>"$log" 2>&1 || {
        tail -n 15 "$log" >&2
        fail "pip could not install what the lock files name; the whole log is in $log"
    }
}

: >"$log"
pip install --require-hashes --no-deps --only-binary :all: -r requirements-build.lock
pip install --require-hashes --no-deps --only-binary :all: --no-binary pyvips --no-build-isolation -r requirements.lock
pip install --no-deps --no-build-isolation --editable .

viewer=src/belvedere/deliver/zoom_page/viewer/openseadragon.min.js
if [ ! -f "$viewer" ] && [ "${BELVEDERE_VIEWER:-}" != none ]; then
    echo "The viewer of the zoomable page could not be fetched with npm; all else works." \
        "To try again: touch pyproject.toml, and make what you were making." >&2
fi
