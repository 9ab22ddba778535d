"""Order statistics inside kernels; compiled. numpy's own take seconds to compile, for every kernel anew."""

import numba


@numba.njit(cache=True, nogil=True)
def select(values, k):  # type: ignore[no-untyped-def]
    """The k-th smallest of values without NaN, which are put in another order: smaller ones before it, larger behind.

    Source: Hoare (1961), Algorithm 65: Find, Communications of the ACM 4(7), 321-322.
    """
    low, high = 0, len(values) - 1
    while low < high:
        pivot = values[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while pivot < values[j]:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if j < k:
            low = i
        if k < i:
            high = j
    return values[k]


@numba.njit(cache=True, nogil=True)
def quantile(values, share):  # type: ignore[no-untyped-def]
    """Quantile of values without NaN, in proportion between its neighbours; the values are put in another order."""
    place = share * (len(values) - 1)
    k = int(place)
    below = select(values, k)
    if place == k:
        return below
    above = values[k + 1]
    for i in range(k + 2, len(values)):
        above = min(above, values[i])
    return below + (place - k) * (above - below)


@numba.njit(cache=True, nogil=True)
def trimmed_mean(values, cut):  # type: ignore[no-untyped-def]
    """Mean of values without NaN but for the `cut` smallest and largest; they are put in another order."""
    last = len(values) - cut
    select(values, cut)
    select(values[cut:], last - 1 - cut)
    total = 0.0
    for i in range(cut, last):
        total += values[i]
    return total / (last - cut)
