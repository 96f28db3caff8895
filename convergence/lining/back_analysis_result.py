"""What a back-analysis hands out: parameters, combinations, misfits, and in words what may be said and what not."""

from __future__ import annotations

import dataclasses
import html
from dataclasses import dataclass

import numpy as np
import pandas as pd

from convergence.job.schema import Settings
from convergence.laws.arrays import FloatArray
from convergence.lining.back_analysis_combined import EVERY, combinations_of
from convergence.lining.back_analysis_data import SectionData
from convergence.lining.back_analysis_model import GREATEST, SectionModel
from convergence.lining.back_analysis_parts import Errors, HeldOut
from convergence.lining.back_analysis_posterior import FEW, Draws, weighted_quantiles
from convergence.lining.back_analysis_prior import RANGE_AT, Prior, values_at
from convergence.lining.shown import shown
from convergence.terms import CAUTION

NOT_LEARNED = 0.8
"""Where the posterior's spread is more than this share of the prior's, nothing worth the name was learned."""
SHOWN = (0.05, 0.5, 0.95)
DOUBTED = "NOT TO BE TRUSTED: too few effective samples"
SMALL_MOVEMENT = 2.0
"""Movements up to this [mm] tell nothing of their stages."""
STAGE_APART = 0.15
"""A stage disagrees where its share of a movement is off by this much [-]; common practice, no source."""
OUTSIDE = 0.25
"""Share of a posterior outside the design's range from which it is said; the prior itself has 0.1 there."""
DISAGREES = 2.0
"""Standard deviations from which a measure is said to disagree."""


@dataclass(frozen=True, repr=False)
class BackAnalysis:
    """Posterior of ground and lining from projected finals. Plain data: it pickles.

    Attributes
    ----------
    sections : tuple of str
        Sections it stands on.
    priors : tuple of Prior
        Parameters with what was held of them before.
    draws : Draws
        Weighted samples.
    data : tuple of SectionData
        The numbers of each section.
    models : tuple of SectionModel
        The model of each section.
    errors : Errors
        Errors of the numbers under the model.
    data_until : str
        Instant of the last data, UTC.
    confidence : float
        Of the bands.
    settings : Settings
        Of the job.
    held_out : HeldOut or None
        A section kept back.
    epoch : datetime64, optional
        Day zero of the job, UTC; without it no dates are told.
    """

    sections: tuple[str, ...]
    priors: tuple[Prior, ...]
    draws: Draws
    data: tuple[SectionData, ...]
    models: tuple[SectionModel, ...]
    errors: Errors
    data_until: str
    confidence: float
    settings: Settings
    held_out: HeldOut | None
    epoch: np.datetime64 | None = None

    def with_held_out(self, held: HeldOut) -> BackAnalysis:
        """The same with a section kept back."""
        return dataclasses.replace(self, held_out=held)

    @property
    def trusted(self) -> bool:
        """Whether enough samples stand behind the numbers."""
        return self.draws.effective >= FEW

    @property
    def warning(self) -> str:
        """Why no number of it is to be trusted; empty where enough samples stand behind them."""
        return "" if self.trusted else f"only {self.draws.effective:.0f} effective samples, {FEW:.0f} are needed"

    def date(self, day: float) -> str:
        """A day of the model as a date, UTC; empty where there is none."""
        if self.epoch is None or not np.isfinite(day):
            return ""
        return str(self.epoch + np.timedelta64(round(day * 86_400), "s"))[:10]

    def parameters(self) -> pd.DataFrame:
        """Prior and posterior of each parameter: 5, 50 and 95 % points, spread left over of the prior's, and a word."""
        spread = np.sqrt(np.diag(self.draws.covariance))
        rows = []
        for place, prior in enumerate(self.priors):
            before = prior.value(np.array([-RANGE_AT, 0.0, RANGE_AT]))
            normal = self.draws.normal[:, place]
            after = prior.value(weighted_quantiles(normal, self.draws.weight, SHOWN))
            outside_low = float(self.draws.weight[normal < -RANGE_AT].sum())
            outside_high = float(self.draws.weight[normal > RANGE_AT].sum())
            word = (
                "learned"
                if spread[place] <= 0.5
                else "learned a little"
                if spread[place] <= NOT_LEARNED
                else "not learned"
            )
            if max(outside_low, outside_high) > OUTSIDE:
                word += f", {'below' if outside_low > outside_high else 'beyond'} the assumed range"
            word = word if self.trusted else DOUBTED
            rows.append(
                [
                    prior.name,
                    prior.unit,
                    *before,
                    *after,
                    float(spread[place]),
                    outside_low + outside_high,
                    word,
                    prior.source,
                ]
            )
        columns = [
            "parameter",
            "unit",
            "prior_low",
            "prior",
            "prior_high",
            "low",
            "median",
            "high",
            "spread_left",
            "outside_range",
            "said",
            "source",
        ]
        return pd.DataFrame(rows, columns=columns).set_index("parameter")

    def combinations(self) -> pd.DataFrame:
        """Combinations that movements are known to answer to, before and after: 5, 50 and 95 % points, spread left.

        See `back_analysis_combined.combinations_of`; the thrust is corrected for what the plane construction gets
        wrong. Ring, closure and thrust are of one section, the first, as the column "of" says.
        """
        generator = np.random.default_rng(0)
        model, section = self.models[0], self.sections[0]
        normal = generator.standard_normal((400, len(self.priors)))
        prior = combinations_of(self.priors, model, section, normal)
        place = self.draws.equal(400)
        after = combinations_of(self.priors, model, section, self.draws.normal[place])
        rows = []
        for name, given in prior.items():
            unit, before = given.unit, given.values
            values = after[name].values
            if np.std(before) < 1e-9:
                continue
            left = float(np.std(np.log(values)) / np.std(np.log(before)))
            said = "learned" if left <= 0.5 else "learned a little" if left <= NOT_LEARNED else "not learned"
            said = said if self.trusted else DOUBTED
            rows.append([name, unit, given.of, *np.quantile(before, SHOWN), *np.quantile(values, SHOWN), left, said])
        columns = [
            "combination",
            "unit",
            "of",
            "prior_low",
            "prior",
            "prior_high",
            "low",
            "median",
            "high",
            "spread_left",
            "said",
        ]
        return pd.DataFrame(rows, columns=columns).set_index("combination")

    def directions(self) -> pd.DataFrame:
        """Directions of the parameters' standard normal numbers by how much was learned, the best known first.

        A parameter with a large share in a late direction is known only as far as the others are.
        """
        spreads, vectors = np.linalg.eigh(self.draws.covariance)
        table = pd.DataFrame(vectors.T, columns=[prior.name for prior in self.priors])
        table.insert(0, "spread_left", np.sqrt(np.maximum(spreads, 0.0)))
        return table if self.trusted else table.assign(said=DOUBTED)

    def correlations(self) -> pd.DataFrame:
        """Correlations of the parameters in the posterior; they have none in the prior."""
        covariance = self.draws.covariance
        spread = np.sqrt(np.diag(covariance))
        names = [prior.name for prior in self.priors]
        table = pd.DataFrame(covariance / np.outer(spread, spread), index=names, columns=names)
        return table if self.trusted else table.assign(said=DOUBTED)

    def misfit(self) -> pd.DataFrame:
        """Every number of every section beside the model's, with the rest in standard deviations of its own error.

        The section's sinking and the common errors are taken out as far as the data show them; what is left is what
        neither mechanics nor the allowed common errors explain.
        """
        normal, middle = self._middle()
        error = float(values_at(self.priors, normal[None, :])[2][0])
        values = np.concatenate([own.values for own in self.data])
        apart = self.errors.own + error**2 * self.errors.model
        factors = self.errors.relative * middle[:, None]
        shared = self.errors.common + factors @ factors.T
        rest = values - middle
        explained = shared @ np.linalg.solve(apart + shared, rest)
        left = rest - explained
        frame = pd.DataFrame(
            {
                "section": [row.section for own in self.data for row in own.rows],
                "measure": [row.label for own in self.data for row in own.rows],
                "kind": [row.kind for own in self.data for row in own.rows],
                "found": values,
                "deviation": [row.deviation for own in self.data for row in own.rows],
                "model": middle,
                "common": explained,
                "left": left,
            }
        )
        size = np.repeat([own.scale for own in self.data], [len(own.rows) for own in self.data])
        # + where the wall moved further than the model says, whichever way it moved
        frame["off"] = np.sign(values) * rest / np.maximum(np.abs(values), 0.2 * size)
        frame["deviations"] = left / np.sqrt(np.diag(apart))
        if not self.trusted:
            frame["said"] = DOUBTED
        return frame

    def stage_misfit(self) -> pd.DataFrame:
        """Finals of each prism split by the stage that causes them: by the projection and by the model [mm]."""
        frame = pd.DataFrame(self._stage_rows(), columns=["section", "measure", "stage", "projected", "model"])
        return frame if self.trusted else frame.assign(said=DOUBTED)

    def _stage_rows(self) -> list[tuple[str, str, str, float, float]]:
        """Section, measure and stage of each final, with its part by the projection and by the model [mm]."""
        normal, _ = self._middle()
        ground, lining, _ = values_at(self.priors, normal[None, :])
        rows = []
        for own, model in zip(self.data, self.models, strict=True):
            for place, stage in enumerate(model.weights):
                response = model.respond(ground, lining, only=stage)
                end = np.concatenate(response.movement_at(float(response.balance.time[-1]), own.angles), axis=1)[0]
                for row, onto in zip(own.rows, own.onto, strict=True):
                    if row.kind == "final" and place < len(row.stages):
                        before = np.concatenate(response.movement_at(row.zero, own.angles), axis=1)[0]
                        caused = float((end - before) @ onto)
                        rows.append((own.section, row.label, stage, row.stages[place], caused))
        return rows

    def not_learned(self) -> pd.DataFrame:
        """Parameters of which the movements told nothing worth the name: the prior stands there still.

        All of them where the posterior is not to be trusted.
        """
        table = self.parameters()
        if not self.trusted:
            table = table.assign(spread_left=np.inf)
        return table.loc[
            table["spread_left"] > NOT_LEARNED, ["unit", "prior_low", "prior_high", "low", "high", "spread_left"]
        ]

    def disagreements(self) -> list[str]:
        """Sentences where chords and settlements, or the stages, do not go together under the model.

        A good crown is no calibration, and nor is a good total.
        """
        doubt = [] if self.trusted else [f"{DOUBTED} ({self.draws.effective:.0f})"]
        return [*doubt, *self.chord_disagreements(), *self.stage_disagreements()]

    def stage_disagreements(self) -> list[str]:
        """Sentences where a chord or the crown comes from other stages than the model says, the worst of a section."""
        groups: dict[str, dict[str, list[tuple[str, float, float]]]] = {}
        for section, label, stage, projected, model in self._stage_rows():
            if label.startswith(("chord", "settlement crown")):
                groups.setdefault(section, {}).setdefault(label, []).append((stage, projected, model))
        found = []
        for section, measures in groups.items():
            worst, words = STAGE_APART, ""
            for label, parts in measures.items():
                by_readings, by_model = sum(part[1] for part in parts), sum(part[2] for part in parts)
                if min(abs(by_readings), abs(by_model)) <= SMALL_MOVEMENT:
                    continue
                for stage, projected, model in parts:
                    shares = projected / by_readings, model / by_model
                    if abs(shares[0] - shares[1]) > worst:
                        worst = abs(shares[0] - shares[1])
                        words = (
                            f"by stage, {stage} causes {projected:.1f} mm of {label} of {section} against "
                            f"{model:.1f} mm of the model ({shares[0]:.0%} of the whole against {shares[1]:.0%}): the "
                            "release by stage, shared out by area, is not calibrated there"
                        )
            found += [words] if words else []
        return found

    def chord_disagreements(self) -> list[str]:
        """Sentences where chords do not go with the model, with the misfit of the crown and of every chord there."""
        found = []
        table = self.misfit()
        table = table[table["kind"] == "final"]
        for section, part in table.groupby("section", sort=False):
            chords = part[part["measure"].str.startswith("chord")]
            wrong = chords[(chords["off"].abs() >= 0.25) | (chords["deviations"].abs() >= DISAGREES)]
            for _, row in wrong.iterrows():
                found.append(
                    f"{row['measure']} of {section} is {row['found']:.1f} mm against {row['model']:.1f} mm of the "
                    f"model ({row['off']:+.0%}): not a calibrated model there, whatever its crown; {_misfits(part)}"
                )
        return found

    def chord_misfits(self) -> list[str]:
        """Crown and every chord of each section, by how much they are off the model's middle, a section a sentence."""
        table = self.misfit()
        table = table[table["kind"] == "final"]
        return [f"{section}: {_misfits(part)}" for section, part in table.groupby("section", sort=False)]

    def out_of_range(self) -> list[str]:
        """Sentences on parameters that readings push out of the design's range, and on what samples ran into."""
        found = [
            f"{name}: {row['outside_range']:.0%} of it lies outside the design's range, {shown(row['prior_low'])} to "
            f"{shown(row['prior_high'])}{'' if row['unit'] == '1' else ' ' + row['unit']}"
            for name, row in self.parameters().iterrows() if row["outside_range"] > OUTSIDE and name != "model error"
        ]  # fmt: skip
        for place, prior in enumerate(self.priors):
            most = GREATEST.get(prior.attribute, np.inf) if prior.table == "ground" else np.inf
            values = prior.value(self.draws.normal[:, place])
            held = float(self.draws.weight[values > most].sum())
            if prior.scale == "floor":
                held += float(self.draws.weight[values <= 0.0].sum())
            if held > 0.01:
                found.append(f"{prior.name}: {held:.0%} of the samples are held where the formula ends")
        return found

    def sentence(self) -> str:
        """The answer in words."""
        table = self.combinations()
        several = len(self.sections) > 1
        learned = [
            f"{name}{' of ' + row['of'] if several and row['of'] != EVERY else ''} {row['median']:.3g} "
            f"({row['low']:.3g} to {row['high']:.3g})"
            for name, row in table.iterrows()
            if row["said"] != "not learned"
        ]
        left = list(self.not_learned().index)
        if not self.trusted:
            return (
                f"From {', '.join(self.sections)}, data until {self.data_until}Z: NOT TO BE TRUSTED, "
                f"{self.draws.effective:.0f} effective samples; no number is given. To mend: more samples, fewer ranges"
            )
        words = f"From {', '.join(self.sections)}, data until {self.data_until}Z: "
        words += ("; ".join(learned) if learned else "nothing was learned") + ". "
        words += f"Not learned, still the design's assumption: {', '.join(left) if left else 'nothing'}."
        return words

    def __repr__(self) -> str:
        head = f"BackAnalysis ({self.draws.effective:.0f} effective samples). {self.sentence()}"
        if not self.trusted:
            return head
        said = [*(f"! {text}" for text in (*self.disagreements(), *self.out_of_range())), *self.chord_misfits()]
        return "\n".join([head, *said])

    def _repr_html_(self) -> str:
        parts = [f"<p><b>Back-analysis.</b> {html.escape(self.sentence())}</p>"]
        if not self.trusted:
            return "".join([*parts, f"<p><small>{CAUTION}</small></p>"])
        columns = ["unit", "prior_low", "prior", "prior_high", "low", "median", "high", "spread_left", "said"]
        for table, caption in ((self.combinations(), "combinations"), (self.parameters()[columns], "parameters")):
            parts += [
                f"<p>{caption}; 5, 50 and 95 % points before and after</p>",
                table.to_html(float_format=shown),
            ]
        parts += [f"<p>! {html.escape(text)}</p>" for text in (*self.disagreements(), *self.out_of_range())]
        parts += [f"<p>Off the model's middle, {html.escape(text)}</p>" for text in self.chord_misfits()]
        if self.held_out is not None:
            share = f"{self.held_out.inside:.0%} of its finals inside their {self.held_out.confidence:.0%} bands"
            parts.append(f"<p>Held out: {html.escape(self.held_out.data.section)}, {share}</p>")
        return "".join([*parts, f"<p><small>{CAUTION}</small></p>"])

    def _middle(self) -> tuple[FloatArray, FloatArray]:
        """Sample nearest to the posterior's mean, and its predictions."""
        away = self.draws.normal - self.draws.mean
        inverse = np.linalg.pinv(self.draws.covariance)
        nearest = int(np.argmin(np.einsum("ij,jk,ik->i", away, inverse, away)))
        return self.draws.normal[nearest], self.draws.predicted[nearest]


def _misfits(part: pd.DataFrame) -> str:
    """By how much crown and chords of one section are off the model, in words."""
    kept = part[part["measure"].str.startswith(("settlement crown", "chord"))]
    words = [f"{row['measure']} {row['off']:+.0%}" for _, row in kept.iterrows()]
    return "found less the model, over found: " + (", ".join(words) if words else "no crown and no chord")
