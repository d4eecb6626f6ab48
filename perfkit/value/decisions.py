"""Every further decision about a study, as one table each."""

import pandas as pd

from perfkit.models import Fit
from perfkit.study import Study
from perfkit.value.together import CAUTIONS, together_table


def decision_tables(
    study: Study, passes: pd.DataFrame, model: Fit, table: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """Make the tables that say what follows from speeds and prices.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.
    model : Fit
        As made by :func:`perfkit.fit`.
    table : DataFrame
        Predictions, as made by ``model.predict``.

    Returns
    -------
    dict of str to DataFrame
        By name; a decision that the study does not ask for is absent.
    """
    tables = {
        "goes_together": together_table(study),
        "cautions": pd.DataFrame({"caution": CAUTIONS}),
    }
    return {name: frame for name, frame in tables.items() if len(frame)}
