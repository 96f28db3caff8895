"""A projection keeps linear algebra to one thread and gives the rest back."""

from __future__ import annotations

import pytest

from convergence.projection import threads


def test_one_thread_while_at_work_and_as_before_after() -> None:
    pools = pytest.importorskip("threadpoolctl", reason="the extra `threads` is not installed")

    def counts() -> list[int]:
        return [item["num_threads"] for item in pools.threadpool_info() if item["user_api"] == "blas"]

    before = counts()
    assert before
    with threads.one_thread():
        assert set(counts()) == {1}
    assert counts() == before


def test_without_the_extra_nothing_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(threads, "threadpool_limits", None)
    with threads.one_thread():
        reached = True
    assert reached
