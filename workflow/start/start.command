#!/bin/sh
# A double click opens the start page: on macOS as it is, on Linux with "Run as a program".
cd "$(dirname "$0")/../.." || exit 1
for python in python3.11 python3.12 python3.13; do
  if "$python" -c "" 2>/dev/null; then
    exec "$python" scripts/launch.py start "$@"
  fi
done
echo "Python 3.11, 3.12 or 3.13 is needed, see README.md. Enter closes this window."
read -r _
