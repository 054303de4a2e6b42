"""Known vulnerabilities of pinned packages: `python tests/audit.py PINS`, where pip-audit is installed.

Says so where no advisory service answers; only a vulnerability that is known ends with status 1.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

PIP_AUDIT = Path(sys.executable).with_name("pip-audit")


def main() -> int:
    line = [PIP_AUDIT, "-r", sys.argv[1], "--no-deps", "--disable-pip", "--progress-spinner", "off", "-f", "json"]
    answer = subprocess.run(line, capture_output=True, text=True, timeout=600, check=False)
    try:
        packages = json.loads(answer.stdout)["dependencies"]
    except (ValueError, KeyError):
        print("not audited: the advisory service could not be asked")
        return 0
    skipped = [one["name"] for one in packages if "skip_reason" in one]
    faulty = [(one["name"], fault["id"]) for one in packages for fault in one.get("vulns", ())]
    print(f"audited: {len(packages) - len(skipped)} packages; known vulnerabilities: {len(faulty)}")
    if skipped:
        print(f"not audited: the advisory service answered nothing of {len(skipped)} packages ({', '.join(skipped)})")
    for name, fault in faulty:
        print(f"vulnerable: {name}, {fault}")
    return 1 if faulty else 0


if __name__ == "__main__":
    sys.exit(main())
