"""What has become of each finding: from what showed tonight and what earlier nights told, to one status each."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from harness.config.known import Known
from harness.nightly.stored import Tried, shown
from harness.nights import FindingKey, Status, Subject, Told
from harness.results import FunctionResult
from harness.store.history import Past
from harness.verdicts import Verdict


@dataclass(frozen=True, slots=True)
class Seen:
    """What happened tonight.

    ``tried`` are the saved cases, ``rows`` the results of the check, ``fresh`` those of them that differ, and
    ``repeats`` what the case of each of these said when it ran again, where one was kept. ``is_there`` says whether the
    corpus still has a function under a compiler, as far as that is known.
    """

    date: datetime.date
    tried: tuple[Tried, ...]
    rows: dict[Subject, FunctionResult]
    fresh: dict[FindingKey, FunctionResult]
    repeats: dict[FindingKey, Tried]
    is_there: Callable[[Subject], bool]


@dataclass(frozen=True, slots=True)
class Before:
    """What earlier nights left.

    ``open`` is what the last whole one told; ``untold`` what was found since by nights that were cut short; ``fixed``
    what any night called fixed, and when; ``quiet`` counts the nights since a finding last showed.
    """

    open: dict[FindingKey, Past]
    untold: dict[FindingKey, datetime.date]
    fixed: dict[FindingKey, datetime.date]
    cases: dict[FindingKey, frozenset[str]]
    quiet: Callable[[FindingKey], int]


def judge(seen: Seen, before: Before, known: Sequence[Known], patience: int) -> tuple[Told, ...]:
    """Every finding that showed tonight, or that an earlier night left open, by status and key.

    ``patience`` is the number of nights after which a flaky finding that does not show counts as fixed.
    """
    return _Judge(seen, before, known, patience).told()


class _Judge:
    def __init__(self, seen: Seen, before: Before, known: Sequence[Known], patience: int) -> None:
        self._seen, self._before, self._known, self._patience = seen, before, known, patience
        self._tried: dict[FindingKey, list[Tried]] = {}
        for one in seen.tried:
            self._tried.setdefault(one.stored.key, []).append(one)

    def told(self) -> tuple[Told, ...]:
        keys = {*self._seen.fresh, *self._tried, *self._before.open, *self._before.untold}
        found = [told for key in keys if (told := self._told(key)) is not None]
        order = list(Status)
        return tuple(sorted(found, key=lambda one: (order.index(one.status), one.key)))

    def _told(self, key: FindingKey) -> Told | None:
        tried, fresh = self._tried.get(key, []), self._seen.fresh.get(key)
        row = next((one.shows for one in tried if one.shows), fresh)
        if row is not None:
            status, why = self._showing(key)
            finding = row.finding
            return Told(key, status, self._since(key), why, finding.case if finding else "", row)
        if key not in self._before.open and key not in self._before.untold:
            return None  # an old case that agrees, as it should
        status, why = self._quiet(key)
        return Told(key, status, self._since(key), why, shown(one.stored for one in tried))

    def _since(self, key: FindingKey) -> datetime.date:
        past = self._before.open.get(key)
        return past.since if past else self._before.untold.get(key, self._seen.date)

    def _showing(self, key: FindingKey) -> tuple[Status, str]:
        """The status of a finding that showed tonight."""
        names = self._names(key)
        entries = [one for one in self._known if one.covers(key.parts(), names)]
        for entry in entries:
            if not entry.is_expired(self._seen.date):
                return Status.KNOWN, entry.why()
        runs, differing = self._runs(key)
        if not self._is_steady(key):
            return Status.FLAKY, f"differs in {differing} of {runs} runs of the same states"
        if entries:
            return Status.EXPIRED, f"was known: {entries[0].why()}"
        if key in self._before.open:
            return Status.STILL, ""
        if self._differed_before(key):
            return Status.STILL, "another place in a function that differed before"
        if key in self._before.untold:
            return Status.NEW, f"found on {self._before.untold[key]} by a night that was cut short"
        fixed = self._before.fixed.get(key)
        return Status.NEW, f"was fixed on {fixed}" if fixed else ""

    def _quiet(self, key: FindingKey) -> tuple[Status, str]:
        """The status of an earlier finding that did not show tonight."""
        if not self._seen.is_there(key.subject):
            return Status.GONE, "the corpus does not have this function under this compiler any more"
        tried, row = self._tried.get(key, []), self._seen.rows.get(key.subject)
        silent = next((one for one in tried if not one.agrees), None)
        agrees = row is not None and row.verdict is Verdict.AGREE
        past = self._before.open.get(key)
        if past is not None and past.status is Status.FLAKY and agrees:
            nights = self._before.quiet(key)
            if nights < self._patience:
                return Status.FLAKY, f"did not show tonight, {nights} of {self._patience} nights until it is fixed"
        if tried and silent is None:
            return Status.FIXED, f"{_cases(tried)} now"
        why = _silence(silent)
        if row is not None and agrees:
            return Status.FIXED, f"{why}, and {row.compared:,} states agree"
        if row is None:
            return Status.UNTRIED, f"{why}, and its function was not checked tonight"
        return Status.UNTRIED, f"{why}, and its function is {row.verdict} tonight"

    def _runs(self, key: FindingKey) -> tuple[int, int]:
        """How often the states of a finding were run tonight, and how often they differed."""
        repeat = self._seen.repeats.get(key)
        rows = [row for one in (*self._tried.get(key, ()), *((repeat,) if repeat else ())) for row in one.rows]
        fresh = int(key in self._seen.fresh)
        return len(rows) + fresh, sum(row.verdict is Verdict.DIFFER for row in rows) + fresh

    def _is_steady(self, key: FindingKey) -> bool:
        """Whether a state of the finding differs each time that it runs; one that ran once counts as such."""
        if any(one.differs and not one.wavers for one in self._tried.get(key, ())):
            return True
        repeat = self._seen.repeats.get(key)
        return key in self._seen.fresh and (repeat is None or bool(repeat.untried) or not _wavers(repeat))

    def _differed_before(self, key: FindingKey) -> bool:
        """Whether an earlier finding of the same function is not known to be gone: which place shows is drawn."""
        others = (other for other in self._before.open if other.subject == key.subject and other != key)
        return any(self._is_showing(other) or self._quiet(other)[0] is not Status.FIXED for other in others)

    def _is_showing(self, key: FindingKey) -> bool:
        return key in self._seen.fresh or any(one.differs for one in self._tried.get(key, ()))

    def _names(self, key: FindingKey) -> frozenset[str]:
        """The names of all cases that show a finding, of tonight and before."""
        return self._before.cases.get(key, frozenset()) | {one.stored.name for one in self._tried.get(key, ())}


def _wavers(repeat: Tried) -> bool:
    return not all(row.verdict is Verdict.DIFFER for row in repeat.rows)


def _silence(silent: Tried | None) -> str:
    """Why no case says that a finding is gone."""
    if silent is None:
        return "it has no case"
    if silent.untried:
        return f"its case cannot be tried ({silent.untried})"
    return f"its case shows nothing now ({silent.rows[0].reason})"


def _cases(tried: Iterable[Tried]) -> str:
    count = len(list(tried))
    return "its case agrees" if count == 1 else f"its {count} cases agree"
