#!/bin/sh
set -e
if [ -z "$DPKG_ROOT" ] && [ -d /run/systemd/system ]; then
  systemctl daemon-reload
fi
# The spool may hold events that nobody else has: it is left to people.
if [ "$1" = purge ] && [ -e "$DPKG_ROOT/var/lib/downweb-agent" ]; then
  echo "downweb-agent: spool and key are left in /var/lib/downweb-agent; delete them when every event is confirmed"
fi
