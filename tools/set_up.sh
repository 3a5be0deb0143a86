#!/bin/sh
# usage: sh tools/set_up.sh FOLDER
#
# Makes a Python environment in FOLDER, puts into it exactly the packages of requirements.lock (each checked by its hash)
# and then this project. Run again, it brings an environment that is there up to date. Nothing outside FOLDER is changed.
#
# PYTHON in the environment names the interpreter; without it the first on the path that is 3.11 or newer is taken.
set -eu

venv=$1
new_enough='import sys; sys.exit(sys.version_info < (3, 11))'

say() { printf '%s\n' "$*"; }
fail() { printf 'Error: %s\n' "$*" >&2; exit 2; }

choose_python() {
    if [ -n "${PYTHON:-}" ]; then
        "$PYTHON" -c "$new_enough" 2>/dev/null ||
            fail "PYTHON names '$PYTHON', which is not a Python 3.11 or newer that runs here. Name another, or leave PYTHON out."
        printf '%s' "$PYTHON"
        return
    fi
    # The plain name first: it is the one a person means. A name may be a shim that does not run, so each is tried.
    for name in python3 python python3.14 python3.13 python3.12 python3.11; do
        if "$name" -c "$new_enough" >/dev/null 2>&1; then
            printf '%s' "$name"
            return
        fi
    done
    fail "no Python 3.11 or newer was found on the path. Install one, or name it: make PYTHON=/path/to/python3"
}

if ! "$venv/bin/python" -c "$new_enough" >/dev/null 2>&1; then
    python=$(choose_python)
    say "Setting up $venv with $("$python" -c 'import platform; print("Python", platform.python_version())') (once; a minute or so)."
    rm -rf "$venv"
    if ! "$python" -m venv "$venv" >"$venv.log" 2>&1; then
        cat "$venv.log" >&2
        rm -rf "$venv" "$venv.log"
        fail "the environment could not be made. On Debian and Ubuntu the package python3-venv is needed: apt-get install python3-venv"
    fi
    rm -f "$venv.log"
else
    say "Bringing $venv up to date."
fi

# uv does the same in a fraction of the time: used where it is there, never needed. Where it cannot, pip tries and says why.
if command -v uv >/dev/null 2>&1 &&
    uv pip install --quiet --python "$venv/bin/python" --require-hashes --requirement requirements.lock 2>/dev/null; then
    :
else
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --require-hashes --requirement requirements.lock ||
        fail "the packages of requirements.lock could not be installed: the lines above say why. The first set-up needs the network."
fi

# setuptools is in the lock, so nothing has to be fetched to build our own package. Its warnings are shown only where it fails.
if ! built=$("$venv/bin/python" -m pip install --disable-pip-version-check --no-deps --no-build-isolation --editable . 2>&1); then
    printf '%s\n' "$built" >&2
    fail "tubmark itself could not be installed into $venv: the lines above say why."
fi
