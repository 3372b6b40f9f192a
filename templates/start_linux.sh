#!/bin/sh
# Double-click (or: sh templates/start_linux.sh). Sets trialkit up once, then opens the start page in the browser.
set -u
here=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd) || exit 1
trials="${TRIALKIT_TRIALS:-$HOME/compost-trials}"

stop() {
    printf '\n%s\n' "$1" >&2
    if [ -t 0 ]; then printf 'Press Enter to close this window. '; read -r _; fi
    exit 1
}

cd "$here" || stop "The folder $here cannot be opened."
[ -f requirements.lock ] || stop "This file belongs into the folder templates of trialkit. Put it back there."

python=""
for name in python3 python3.14 python3.13 python3.12 python3.11; do
    if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then python="$name"; break; fi
done
[ -n "$python" ] || stop "Python 3.11 or newer is needed. Install it from https://www.python.org/downloads/, then try again."

# the list of what was installed tells whether anything is new; where the folder was moved, trialkit is not found
if ! cmp -s requirements.lock .venv/installed.lock || ! .venv/bin/python -I -c 'import trialkit' 2>/dev/null; then
    echo "Setting up. This takes a few minutes, the first time only ..."
    "$python" -m venv .venv || stop "The set-up failed. On Debian and Ubuntu install python3-venv first."
    .venv/bin/python -m pip install -q -c requirements.lock -e . || stop "The set-up failed. Is there a connection to the network?"
    cp requirements.lock .venv/installed.lock
fi
.venv/bin/trialkit start "$trials" || stop "The page could not be opened; the lines above say why."
