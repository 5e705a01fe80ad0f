"""The R fixtures of tests/reference/r as designs: tables, formulas and expected fits.

The fits were made by lme4 1.1-31, lmerTest, pbkrtest and nlme on R 4.2.2; see the README there.
"""

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

FOLDER = Path(__file__).parent / "r"
FITS: dict[str, dict[str, Any]] = json.loads((FOLDER / "expected.json").read_text())["fits"]
PUBLISHED: dict[str, Any] = json.loads((FOLDER / "published.json").read_text())
OWN = [name for name, fit in FITS.items() if not fit["external"]]
OF_LME4 = [name for name, fit in FITS.items() if fit["external"]]


def read(name: str, folder: Path = FOLDER) -> pd.DataFrame:
    """The table of a fit."""
    return pd.read_csv(folder / f"{FITS[name]['table']}.csv")


def design(name: str, table: pd.DataFrame) -> dict[str, Any]:
    """Arguments of `fit_mixed`: response, matrix with R's treatment contrasts, names, factors."""
    formula, weights = FITS[name]["formula"], FITS[name]["weights"]
    response, right = formula.split(" ~ ")
    groups = re.findall(r"\(1 \| (\w+)\)", right)
    terms = re.sub(r"\(1 \| \w+\)", "", right).replace("+", " ").split()
    columns, names = [np.ones(len(table))], ["(Intercept)"]
    for term in (t for t in terms if t != "1"):
        if pd.api.types.is_numeric_dtype(table[term]):
            columns.append(table[term].to_numpy(dtype=float))
            names.append(term)
            continue
        for level in sorted(table[term].unique())[1:]:
            columns.append((table[term] == level).to_numpy(dtype=float))
            names.append(f"{term}{level}")
    return {
        "y": table[response].to_numpy(dtype=float),
        "x": np.column_stack(columns),
        "names": names,
        "factors": {g: table[g].astype(str).to_numpy() for g in groups},
        "weights": None if weights is None else table[weights].to_numpy(dtype=float),
    }
