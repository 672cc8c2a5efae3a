#!/bin/sh
# macOS: lay this beside the program firmus. A double click starts it and opens its pages.
exec "$(dirname "$0")/firmus" serve --open
