#!/bin/bash
# in-board.sh COMMAND...   runs it in the board as root; standard input goes along
set -eu
. "$(cd "$(dirname "$0")" && pwd)/board.env"
exec ssh -q -p "$BOARD_SSH_PORT" -i "$BOARD_DIR/key" -o BatchMode=yes -o ConnectTimeout=10 \
    -o StrictHostKeyChecking=no -o UserKnownHostsFile=/dev/null root@127.0.0.1 "$@"
