#!/bin/sh
# Make .venv fit pyproject.toml and the pins, if it does not already. Says plainly what the machine lacks.
#
#   venv.sh run|dev [PYTHON]     run: what `make run` needs; dev: that and what tests need
set -eu
want=$1
python=${2:-python3}
here=$(pwd -P)
pins=.constraints.txt

lacks() {
    echo "rainstead: $1" >&2
    exit 1
}

command -v "$python" >/dev/null 2>&1 ||
    lacks "$python is missing. On Debian: sudo apt install python3 python3-venv"
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
    lacks "$python is $("$python" -V 2>&1 | cut -d' ' -f2); 3.11 or newer is needed. Name another one: make PYTHON=python3.12 …"
"$python" -c 'import ensurepip, venv' 2>/dev/null ||
    lacks "$python cannot make environments. On Debian: sudo apt install python3-venv"

# The stamp holds what the environment was made from; a moved folder, another Python or new pins make it stale.
stamp=$(printf '%s\n' "$here" "$("$python" -V)" "$(cat pyproject.toml $pins | cksum)")
for level in dev "$want"; do
    if [ -x .venv/bin/python ] && [ "$(cat ".venv/made-for-$level" 2>/dev/null)" = "$stamp" ]; then
        exit 0
    fi
done

extras=board,desk
[ "$want" = dev ] && extras=dev
echo "Building .venv for this folder (some minutes the first time) …"
if ! .venv/bin/python -c 'import sys; sys.exit(sys.prefix != sys.argv[1])' "$here/.venv" 2>/dev/null; then
    rm -rf .venv
    "$python" -m venv .venv || lacks "the environment could not be made; see above. On Debian: sudo apt install python3-venv"
fi
rm -f .venv/made-for-*
.venv/bin/python -m pip install --quiet --disable-pip-version-check --no-input -c $pins -e ".[$extras]" || {
    rm -f .venv/made-for-*
    lacks "packages could not be installed; is there a network, and room on the disk? Then run this again."
}
printf '%s' "$stamp" >".venv/made-for-$want"
