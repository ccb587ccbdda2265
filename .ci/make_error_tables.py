"""Make the table of chirp error curves again: `.venv/bin/python .ci/make_error_tables.py`, after the formula has changed."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from meshplan.propagation import receiver

if __name__ == "__main__":
    curves = np.stack([receiver.chirp_error_curve(factor) for factor in receiver.CHIRP_FACTORS])
    np.save(Path(receiver.__file__).resolve().parents[1] / "data" / "chirp_errors.npy", curves, allow_pickle=False)
