"""What is wrong with the photographs of a scan, in words, where their order is not that of the patterns."""

from collections.abc import Sequence

from rigwarp.decode.photographs.order import Order
from rigwarp.errors import MeasurementError


class WrongPhotographs(MeasurementError):
    """Photographs that are not what their numbers say: `order` tells what they are, `what` says it in words.

    `one_of_several`: zones, each with a folder of its own; then a photograph may be from another's.
    """

    def __init__(self, order: Order, labels: Sequence[str], advice: str = "", *, one_of_several: bool = False) -> None:
        self.order, self._labels, self._one_of_several = order, labels, one_of_several
        self.what = "; ".join(_sentences(order, labels, one_of_several=one_of_several))
        super().__init__(
            f"{self.what}. Every photograph must show the pattern of its own number: put the photographs right"
            f"{f' ({advice})' if advice else ''}, or scan again"
        )

    def with_advice(self, advice: str) -> "WrongPhotographs":
        """The same with a way to put them right."""
        return WrongPhotographs(self.order, self._labels, advice, one_of_several=self._one_of_several)


def _sentences(order: Order, labels: Sequence[str], *, one_of_several: bool) -> list[str]:
    if order.columns_last:
        return ["all patterns along y are shown before those along x, where the set has those along x first"]
    told = [f"photograph {labels[own]} is {how}" for own, how in order.turned.items()]
    if order.shifted or len(order.shows) != order.patterns:
        return told + _miscounted(order, labels)
    done: set[int] = set()
    for own, shown in enumerate(order.shows):
        if shown == own or own in done:
            continue
        if shown >= 0 and order.shows[shown] == own:
            done.add(shown)
            told.append(f"photographs {labels[own]} and {labels[shown]} are exchanged")
        elif shown >= 0 and one_of_several:  # another zone's light leaves its own dark, which looks like some grey
            told.append(
                f"photograph {labels[own]} does not show its own pattern; by what is seen of its own zone it looks "
                f"like {labels[shown]}, and it may be another zone's"
            )
        elif shown == own - 1:
            told.append(
                f"photograph {labels[own]} shows the picture before it, {labels[shown]}: "
                "it was taken too early or twice"
            )
        elif shown >= 0:
            told.append(f"photograph {labels[own]} shows the pattern of {labels[shown]}")
    return told


def _miscounted(order: Order, labels: Sequence[str]) -> list[str]:
    """Sentences on photographs that are missing or too many."""
    told = [
        f"the photograph of pattern {number:04d} is missing: the one before it is photograph {labels[before]}"
        if before >= 0
        else f"the photograph of pattern {number:04d}, the first one, is missing"
        for number in range(order.patterns)
        if number not in order.shows
        for before in [max((i for i, shown in enumerate(order.shows) if 0 <= shown < number), default=-1)]
    ]
    for own, shown in enumerate(order.shows):
        first = order.shows.index(shown)
        if first != own:
            told.append(f"photographs {labels[first]} and {labels[own]} show the same picture: it was taken twice")
    if order.shifted:
        told.append(
            f"all after it come one too early, and the last one, {labels[-1]}, is not of this scan (the next zone's?)"
            if len(order.shows) < len(labels)
            else "all after it come one too late, and the last one is left over (among the next zone's?)"
        )
    return told
