"""A process that answers requests as it is told to: well, late, with nonsense, or not at all."""

from __future__ import annotations

import json
import os
import sys
import time

for line in sys.stdin:
    asked = json.loads(line)
    match asked["do"]:
        case "end":
            sys.exit(1)
        case "sleep":
            time.sleep(60)
        case "nonsense":
            print("this is no JSON", flush=True)
        case "bug":
            print(json.dumps({"bug": "Traceback: of a bug"}), flush=True)
        case "long":
            text = "x" * (8 << 20)
            print(json.dumps({"status": 200, "kind": "image/svg+xml", "text": text}), flush=True)
        case _:
            time.sleep(asked.get("for_s", 0.0))
            text = str(os.getpid())
            print(json.dumps({"status": 200, "kind": "text/html", "text": text}), flush=True)
