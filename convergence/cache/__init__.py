"""Results kept between runs, by what they were made from: never asked for by date or name, so never stale.

``codec`` turns plain data into bytes and back, ``store`` keeps the bytes, ``keeping`` says whether anything is kept.
"""

from __future__ import annotations

from convergence.cache.keeping import keep, keeping, kept, key_of
from convergence.cache.store import Store

__all__ = ["Store", "keep", "keeping", "kept", "key_of"]
