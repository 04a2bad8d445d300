"""An analysis holds the linear algebra to one thread, and the user's own number comes back."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
import scipy.linalg  # noqa: F401
from threadpoolctl import threadpool_info, threadpool_limits

from tests.support.example_run import example
from weighloop.analysis.results import analyse
from weighloop.analysis.threads import on_one_thread


def threads() -> set[int]:
    """The numbers of threads that the linear-algebra libraries of the process have now."""
    return {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}


def set_for_good(count: int) -> None:
    """As a user sets it: by a thread that is gone, so that whoever comes next may change it."""
    thread = threading.Thread(target=threadpool_limits, kwargs={"limits": count, "user_api": "blas"})
    thread.start()
    thread.join()


@pytest.fixture(autouse=True)
def two_threads() -> Iterator[None]:
    set_for_good(2)
    if threads() != {2}:
        pytest.skip("the linear algebra here has no threads")
    yield
    set_for_good(1)


@pytest.mark.costly
def test_an_analysis_runs_on_one_thread_and_leaves_the_number_as_it_was() -> None:
    seen: list[set[int]] = []
    result = example()
    analyse(result.readings, result.bench, trials=2, progress=lambda stage: seen.append(threads()))
    assert seen == [{1}] * 3
    assert threads() == {2}


def test_a_failure_gives_the_number_back() -> None:
    with pytest.raises(ValueError, match="not known"):
        analyse(example().readings, example().bench, method="none")
    assert threads() == {2}


def test_two_at_once_leave_the_number_as_it_was() -> None:
    begun, go_on = threading.Event(), threading.Event()

    @on_one_thread
    def long() -> None:
        begun.set()
        assert go_on.wait(60)

    other = threading.Thread(target=long)
    other.start()
    assert begun.wait(60)
    assert on_one_thread(threads)() == {1}
    go_on.set()
    other.join(60)
    assert threads() == {2}
