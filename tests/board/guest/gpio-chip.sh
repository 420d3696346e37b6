#!/bin/sh
# Make /dev/gpiochip0 with 28 lines, as on a 40-pin header, and look like a board that gpiozero knows.
set -eu
modprobe configfs
mountpoint -q /sys/kernel/config || mount -t configfs none /sys/kernel/config
modprobe gpio-sim
chip=/sys/kernel/config/gpio-sim/board
mkdir -p "$chip/bank0"
echo 28 >"$chip/bank0/num_lines"
echo board-sim >"$chip/bank0/label"
[ "$(cat "$chip/live")" = 1 ] || echo 1 >"$chip/live"
# gpiozero reads the board's model here, and refuses a machine without one.
(cat /proc/cpuinfo; echo 'Revision : a020d3') >/run/cpuinfo
mountpoint -q /proc/cpuinfo || mount --bind /run/cpuinfo /proc/cpuinfo
ln -sfn "/sys/devices/platform/$(cat "$chip/dev_name")/$(cat "$chip/bank0/chip_name")" /run/gpio
