#!/bin/sh
# Start toneapp from its folder, set up on the first start. A link to this file may lie anywhere.
here=$(CDPATH='' cd -- "$(dirname -- "$(readlink -f -- "$0")")/.." && pwd)
exec python3 "$here/start.py" run "$@"
