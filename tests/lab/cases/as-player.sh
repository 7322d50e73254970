#!/bin/sh
# Runs the program as a user who may use MIDI and, for three seconds, read no input device.
mkdir -p /etc
echo 'root:x:0:0::/tmp:/bin/sh' >/etc/passwd
echo 'player:x:1000:1000::/tmp:/bin/sh' >>/etc/passwd
chmod 666 /dev/snd/*
chmod 600 /dev/input/event*
chmod 777 "$HOME"
(sleep 3 && chmod 666 /dev/input/event*) &
exec su -m -s /bin/sh -c 'exec /bin/segue "$@"' -- player segue "$@"
