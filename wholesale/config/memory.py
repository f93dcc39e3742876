"""What a web process does about its memory once all its code is loaded."""

import gc

#: New values after which the youngest are gone through: a promise makes tens of thousands of small ones, and
#: nearly all of them end by count. At Python's own 700 that took an eighth of the promise.
_YOUNG, _MIDDLE, _OLD = 20_000, 20, 20


def settle() -> None:
    """Leave what is loaded by now out of every later collection, and collect less often.

    Left to the collector, code that stays for good is gone through again and again, for a
    tenth of a second in the middle of a promise.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(_YOUNG, _MIDDLE, _OLD)
