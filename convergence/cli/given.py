"""Values of options of publish and rerun, refused as usage where they are not of their kind."""

from __future__ import annotations

import argparse
import re

#: Characters of a fingerprint: enough to tell a publication, up to all of them.
FINGERPRINT = re.compile(r"[0-9a-fA-F]{16,64}")


def instant(text: str) -> str:
    """An instant as given, refused where it is none."""
    # what reads instants is imported when one is given: the parser answers at once
    from convergence.job.times import FORM, parse_instant

    if parse_instant(text.strip()) is None:
        raise argparse.ArgumentTypeError(f"'{text}': expected {FORM}")
    return text


def fingerprint(text: str) -> str:
    """A fingerprint as it was told, refused where it is none."""
    if not FINGERPRINT.fullmatch(text.strip()):
        raise argparse.ArgumentTypeError(
            f"'{text}': expected 16 to 64 characters 0-9 and a-f, as convergence publish printed them"
        )
    return text
