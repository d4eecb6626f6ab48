"""What another GPU would do: a frozen `Fit` answers with ranges, and says how far to trust it."""

from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from perfkit.defaults import DRAWS
from perfkit.models.draws import draw_fps
from perfkit.models.family import FloatArray
from perfkit.models.fit_html import by_family, fit_html, terms_of
from perfkit.models.left_out_errors import Evidence, errors_by_workload, evidence, no_evidence
from perfkit.models.observations import CONFIGURATION
from perfkit.models.other_ranges import free_table, mixed_table
from perfkit.models.predictions import Model, frame_time_parts, predict_table
from perfkit.models.rates import Catalogue, attach_rates
from perfkit.models.refusals import Known


@dataclass(frozen=True, eq=False)
class Fit:
    """Models fitted to the passes of a study, and the evidence for the one that is believed.

    The evidence (`comparison`, `errors`) and `terms` are worked out when first asked for, and kept.

    Attributes
    ----------
    family : str
        Name of the family (or mixture) that is believed; "" when nothing could be fitted.
    level : float
        Coverage of the ranges.
    seed : int
        Default seed of `draws`.
    comparison : DataFrame
        One row per candidate, then one for the choice made anew without each GPU: family,
        median_abs_pct, p90_abs_pct, bias_pct (of FPS, leaving each GPU out), interval_score (of
        log FPS; less is better), coverage, chosen. The last row alone is an honest error of the
        whole procedure: no number that was used to choose is in it.
    errors : DataFrame
        One row per measured cell, predicted as if its GPU had never been measured: gpu, system,
        workload, width, height, render_scale, family, fps, predicted, pred_low, pred_high.
    terms : DataFrame
        family, term, workload, estimate, std_error (clustered by GPU), sentence.
    left_out : DataFrame
        pass_id and reason of every pass that is no observation of the fit.
    warnings : tuple of str
        What a reader must know before using the numbers.
    runs_that_teach : tuple of str
        Own runs that would help most.
    study : Study
    known : Known
        What refusals look at.
    models : tuple of Model
        With bandwidth first, then without; either may be missing.
    cells : DataFrame
        What was measured, one row per configuration with its rates.
    """

    family: str
    level: float
    seed: int
    left_out: pd.DataFrame
    warnings: tuple[str, ...]
    runs_that_teach: tuple[str, ...]
    study: Catalogue = field(repr=False)
    known: Known = field(repr=False)
    models: tuple[Model, ...] = field(repr=False)
    cells: pd.DataFrame = field(repr=False)

    @cached_property
    def _evidence(self) -> Evidence:
        if not self.models:
            return no_evidence()
        trained = self.models[0].trained
        return evidence(trained.cells, trained.recipe, self.family, self.cells, self.level)

    @property
    def comparison(self) -> pd.DataFrame:
        """Candidates side by side, by GPUs left out; see the class.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> model = pk.fit(study, passes[passes["workload"] == "Velm Circuit, low"])
        >>> "chosen anew each time" in set(model.comparison["family"])
        True
        """
        return self._evidence[0]

    @property
    def errors(self) -> pd.DataFrame:
        """Each measured cell, predicted as if its GPU had never been measured; see the class.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> model = pk.fit(study, passes[passes["workload"] == "Velm Circuit, low"])
        >>> set(model.errors["workload"])
        {'Velm Circuit, low'}
        """
        return self._evidence[1]

    @property
    def family_errors(self) -> pd.DataFrame:
        """Errors of every candidate by workload, each GPU predicted as if never measured.

        Returns
        -------
        DataFrame
            family, workload, cells, median_abs_pct, bias_pct (signed; of FPS).

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> model = pk.fit(study, passes[passes["workload"] == "Velm Circuit, low"])
        >>> set(model.family_errors["family"]) == set(model.comparison["family"])
        True
        """
        return self._evidence[2]

    @cached_property
    def terms(self) -> pd.DataFrame:
        """Coefficients of every family; see the class.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> model = pk.fit(study, passes[passes["workload"] == "Velm Circuit, low"])
        >>> bool(model.terms["family"].eq(model.family).any())
        True
        """
        return terms_of(self.models[0].trained if self.models else None)

    def predict(self, targets: pd.DataFrame) -> pd.DataFrame:
        """Predict FPS of configurations with ranges.

        Parameters
        ----------
        targets : DataFrame
            system, gpu, workload, width, height (px) and, optionally, render_scale (linear).

        Returns
        -------
        DataFrame
            One row per row of `targets`, in order: the configuration; `fps` (median of a future
            pass), `pred_low`, `pred_high` (its central range at `level`); `low_1pct_fps`;
            `inside_range`, `left_range` (what left which range); `limited_by`; `model`; `reason`
            (why a number is missing, or what to know of it); `mean_low`, `mean_high` (range of
            the average over passes); `low_1pct_low`, `low_1pct_high`; `scale_device`,
            `scale_own`, `dof` (the t on log FPS, for `draw_fps`); `basis`.

        Raises
        ------
        KeyError
            A column is missing.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> model = pk.fit(study, pk.summarize_passes(study))
        >>> table = model.predict(study.targets)
        >>> len(table) == len(study.targets)
        True
        """
        rates = self._rated(targets)
        return predict_table(self.study, self.known, self.models, rates, self.level)

    def _rated(self, targets: pd.DataFrame) -> pd.DataFrame:
        """Attach rates to configurations."""
        rows = targets.reset_index(drop=True)
        if "render_scale" not in rows:
            rows = rows.assign(render_scale=1.0)
        rows = rows[CONFIGURATION]
        rows = rows.assign(render_scale=rows["render_scale"].astype(float).fillna(1.0))
        return attach_rates(self.study, rows)

    def _told(self, targets: pd.DataFrame) -> tuple[Model | None, pd.DataFrame, pd.Series]:
        """Give the main model, configurations with rates, and why some are refused."""
        said = self.predict(targets)
        refused = said["reason"].where(said["fps"].isna(), "")
        return (self.models[0] if self.models else None), self._rated(targets), refused

    def mixed_range(self, targets: pd.DataFrame) -> pd.DataFrame:
        """Predict by the mixed model alone, with its range for a GPU that it never saw.

        A mixed model knows how far GPUs lie from its lines, so it has a range for a new group: the
        line's own error, a GPU's deviation and a pass's, with the t of as many degrees of freedom
        as GPUs leave. `predict` is believed instead where left-out errors speak for others.

        Parameters
        ----------
        targets : DataFrame
            As for `predict`.

        Returns
        -------
        DataFrame
            One row per row of `targets`: the configuration; fps; pred_low, pred_high (future
            pass); mean_low, mean_high (average over passes); sd_line, sd_gpu, sd_pass (of log
            FPS); dof; reason (why a number is missing).

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> table = pk.fit(study, pk.summarize_passes(study)).mixed_range(study.targets)
        >>> bool((table["pred_low"] < table["mean_low"]).any())
        True
        """
        return mixed_table(*self._told(targets), self.level)

    def free_range(self, targets: pd.DataFrame) -> pd.DataFrame:
        """Predict by the heaviest family, with a range that assumes no distribution of errors.

        Jackknife+ with the GPU as the unit, for the average over passes; at 90 % it needs nine
        GPUs that ran the workload. It
        holds for a GPU like those measured and widens nowhere, so `predict` is the one to show.

        Parameters
        ----------
        targets : DataFrame
            As for `predict`.

        Returns
        -------
        DataFrame
            One row per row of `targets`: the configuration; family; fps; pred_low, pred_high;
            gpus (left out in turn); guaranteed (coverage whatever the distribution; about `level`
            in practice); reason (why a number is missing).

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> model = pk.fit(study, passes[passes["workload"] == "Velm Circuit, low"])
        >>> table = model.free_range(study.targets.head(2))
        >>> table["guaranteed"].dropna().unique().tolist()
        [0.8]
        """
        return free_table(*self._told(targets), self.level)

    def draws(self, targets: pd.DataFrame, n: int = DRAWS, seed: int | None = None) -> FloatArray:
        """Draw FPS of future passes, shape (n, rows); see `perfkit.models.draws.draw_fps`.

        Parameters
        ----------
        targets : DataFrame
            As for `predict`.
        n : int
            Number of draws.
        seed : int, optional
            Default: the fit's.

        Returns
        -------
        ndarray, shape (n, rows)
            NaN where there is no number.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> model = pk.fit(study, passes[passes["workload"] == "Velm Circuit, low"])
        >>> model.draws(study.targets.head(2), n=3).shape
        (3, 2)
        """
        return draw_fps(self.predict(targets), n, self.seed if seed is None else seed)

    def parts(self) -> pd.DataFrame:
        """Split the modelled frame time of what was measured by cause.

        Returns
        -------
        DataFrame
            workload, system, gpu, drawn_mpx, one column per cause in ms, limited_by; no rows
            where nothing could be fitted.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> model = pk.fit(study, passes[passes["workload"] == "Velm Circuit, low"])
        >>> set(model.parts()["limited_by"]) <= {"arithmetic", "memory", "processor", "fixed cost"}
        True
        """
        return frame_time_parts(self.models[0]) if self.models else pd.DataFrame()

    def by_workload(self) -> pd.DataFrame:
        """Sum up the honest errors of each workload.

        Returns
        -------
        DataFrame
            workload, cells, median_abs_pct, bias_pct (signed; of FPS), coverage: each GPU
            predicted as if it had never been measured.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> model = pk.fit(study, passes[passes["workload"] == "Velm Circuit, low"])
        >>> model.by_workload().columns.tolist()
        ['workload', 'cells', 'median_abs_pct', 'bias_pct', 'coverage']
        """
        return errors_by_workload(self.errors)

    def _repr_html_(self) -> str:
        """Show the fit as a page part; every name of the study escaped."""
        parts = self.parts()
        limits = parts.drop_duplicates(["workload", "gpu", "system"]) if len(parts) else parts
        heading = f"Model: {self.family}" if self.family else "No model"
        error, bias = by_family(self.family_errors)
        tables = (
            ("Error leaving each GPU out (range of log FPS)", self.comparison),
            ("Error by workload, each GPU predicted as if never measured", self.by_workload()),
            ("Median error by workload and family in %, leaving each GPU out", error),
            ("Signed bias by workload and family in %, leaving each GPU out", bias),
            ("Terms", self.terms),
            ("What limits each workload on the GPUs measured (smallest size)", limits),
            ("What limits each workload on the GPUs asked for", self._asked_limits()),
        )
        lists = (("Warnings", self.warnings), ("Runs that teach most", self.runs_that_teach))
        return fit_html(heading, tables, lists)

    def _asked_limits(self) -> pd.DataFrame:
        """Tell what limits the study's targets; no rows where it has none."""
        targets = getattr(self.study, "targets", pd.DataFrame())
        if not len(targets):
            return pd.DataFrame()
        said = self.predict(targets)
        columns = [*CONFIGURATION, "fps", "limited_by", "inside_range", "reason"]
        return said[columns].sort_values(["workload", "gpu", "system"], kind="stable")
