#!/bin/bash
# boot.sh start [--fresh] | cut | off      (settings: board.env)
#   start   boot and wait until it answers; --fresh begins from the image as built
#   cut     power cut: the emulator is killed, nothing is synced
#   off     clean shutdown
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
. "$here/board.env"
cd "$BOARD_DIR"
pid=$(cat qemu.pid 2>/dev/null || true)
alive() { [ -n "$pid" ] && [ "$(cat "/proc/$pid/comm" 2>/dev/null)" = qemu-system-x86 ]; }
gone() { for _ in $(seq 600); do alive || return 0; sleep 0.1; done; return 1; }

case ${1:-} in
start)
    if alive; then echo "already running: $pid" >&2; exit 1; fi
    if [ "${2:-}" = --fresh ] || [ ! -e disk.qcow2 ]; then
        rm -f disk.qcow2
        qemu-img create -q -f qcow2 -F raw -b base.ext4 disk.qcow2
    fi
    serial=()
    for n in 1 2 3; do # each a unix socket here and /dev/ttyS1 to 3 there, for simulated rangers
        serial+=(-chardev "socket,id=s$n,path=ttyS$n.sock,server=on,wait=off" -serial "chardev:s$n")
    done
    qemu-system-x86_64 -accel tcg -cpu max -M pc -m "$BOARD_MEM" -smp 1 \
        -display none -nodefaults -no-reboot -daemonize -pidfile qemu.pid -kernel vmlinuz -initrd initrd.img \
        -append 'root=/dev/vda rw console=ttyS0,115200 quiet mitigations=off' \
        -drive file=disk.qcow2,if=virtio,format=qcow2,cache=writeback \
        -chardev socket,id=con,path=console.sock,server=on,wait=off,logfile=console.log -serial chardev:con \
        "${serial[@]}" -monitor none -rtc base="$BOARD_RTC",clock=vm \
        -nic user,model=virtio-net-pci,restrict=on,hostfwd=tcp:127.0.0.1:"$BOARD_SSH_PORT"-:22 $BOARD_QEMU_EXTRA
    pid=$(cat qemu.pid)
    until "$here/in-board.sh" true 2>/dev/null; do
        alive || { echo "the emulator ended; see $BOARD_DIR/console.log" >&2; exit 1; }
        [ "$SECONDS" -lt "$BOARD_BOOT_TIMEOUT" ] || { echo "no answer; see $BOARD_DIR/console.log" >&2; exit 1; }
        sleep 1
    done
    echo "up in $SECONDS s" ;;
cut) if alive; then kill -9 "$pid" && gone; fi ;;
off) if alive; then "$here/in-board.sh" poweroff 2>/dev/null || true; gone; fi ;;
*) sed -n '2,5p' "$0" >&2; exit 2 ;;
esac
