"""Write the JSON Schema of a protocol file beside the ready protocols.

Run after every change of the schema: ``python tools/write_protocol_schema.py``
"""

from __future__ import annotations

import json
from pathlib import Path

from trialkit.protocol import json_schema

TARGET = Path(__file__).parents[1] / "protocols" / "trialkit-protocol.schema.json"

if __name__ == "__main__":
    TARGET.write_bytes((json.dumps(json_schema(), indent=1) + "\n").encode())
    print(f"wrote {TARGET.name}")
