#!/bin/sh
# Make .venv fit pyproject.toml and the pins, if it does not already. Says plainly what the machine lacks.
#
#   venv.sh run|dev [PYTHON]     run: what `make run` needs; dev: that and what tests need
set -eu
want=$1
python=${2:-python3}
here=$(pwd -P)
stamp=.venv/stamp
log=.venv/pip.log

lacks() {
    echo "rainstead: $1" >&2
    exit 1
}

command -v "$python" >/dev/null 2>&1 ||
    lacks "$python is missing. On Debian: sudo apt install python3 python3-venv"
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
    lacks "$("$python" -V 2>&1) is too old; 3.11 or newer is needed. Name another one: make PYTHON=python3.12 …"
"$python" -c 'import ensurepip, venv' 2>/dev/null ||
    lacks "$python cannot make environments. On Debian: sudo apt install ${python##*/}-venv"
# With .venv activated, python3 is the one that is about to be replaced.
python=$("$python" -c 'import sys; print(getattr(sys, "_base_executable", sys.executable))')

# Two makes at once take turns.
if command -v flock >/dev/null; then
    exec 9<pyproject.toml
    flock 9
fi

# An environment knows its folder and its Python; it does not outlive either. Lint and type rules do not touch it.
base="$here $("$python" -VV | tr -d '\n')"
parts=$({ sed '/^\[tool\.mypy\]/,$d' pyproject.toml && cat .constraints.txt "$0"; } | cksum)
made=$(cat $stamp 2>/dev/null || true)
for level in dev "$want"; do
    if [ "$made" = "$base|$parts|$level" ] && [ -x .venv/bin/python ]; then exit 0; fi
done

extras=board,desk,page,messages
case $want$made in dev* | *"|dev") want=dev extras=dev ;; esac
echo "Building .venv for this folder (minutes the first time, seconds later) …"
# No stamp: an earlier build was cut short, and nothing in it can be trusted.
if [ "${made%%|*}" != "$base" ] || ! [ -x .venv/bin/python ]; then
    made=
    rm -rf .venv
    "$python" -m venv .venv || lacks "the environment could not be made: see above"
fi
rm -f $stamp
if ! .venv/bin/python -m pip install --quiet --disable-pip-version-check --no-input \
    -c .constraints.txt -e ".[$extras]" >$log 2>&1; then
    # pip gathers everything before it changes anything, so what was there still stands.
    [ -z "$made" ] || printf '%s' "$made" >$stamp
    if grep -qiE 'name resolution|not known|unreachable|refused|connection (broken|aborted)|timed out|ProxyError' $log; then
        lacks "packages could not be fetched: no network, or the package index does not answer. Run this again later."
    elif grep -qi 'no space left' $log; then
        lacks "packages could not be installed: the disk is full."
    fi
    grep '^ERROR' $log >&2 || tail -n 5 $log >&2
    lacks "packages could not be installed: see above, and $log"
fi

# Some Pythons have no wheel of the board's pin library; Debian's own package fills the gap where it is installed.
if ! .venv/bin/python -c 'import lgpio' 2>/dev/null && files=$("$python" -c '
import importlib.util, pathlib
found = importlib.util.find_spec("lgpio")
print(*(path for path in pathlib.Path(found.origin).parent.glob("*lgpio*.[ps][yo]*")), sep="\n")' 2>/dev/null); then
    # shellcheck disable=SC2086 # one name a word: Debian's folder has no blanks
    ln -sf $files "$(.venv/bin/python -c 'import sysconfig; print(sysconfig.get_path("purelib"))')"
fi
printf '%s' "$base|$parts|$want" >$stamp.new
mv $stamp.new $stamp
