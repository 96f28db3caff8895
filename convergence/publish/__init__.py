"""Publications: an executed notebook with inputs, claims, environment and fingerprints; its review by a rerun.

Nothing is imported here, so that a notebook that makes a claim does not load what publishing needs.
"""
