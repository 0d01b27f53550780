"""How balanced a list is, without an entry of it: counts by hand, what is hidden, and that the page holds no list."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.cli import main
from studykit.commands.speaking import CALLED_WRONGLY, CLEAN, PROBLEMS
from studykit.errors import DesignError
from studykit.planning.allocation import allocation_list, allocation_rules
from studykit.planning.balance import NOT_SHOWN, allocation_balance, balance_along, balance_groups
from studykit.planning.sealed_list import LIST, SECRET
from studykit.report.allocation_page import PAGE
from tests.planning.planned_studies import planned_protocol
from tests.planning.test_allocation_list import MINIMISED, STRATA, _study

RATIO = "ratio = { none = 1, stretch_1 = 2 }"
BLOCKS = STRATA + "entries = 40\nblock_sizes = [3, 6]\n"
PROTOCOL = planned_protocol(more=RATIO, tables=BLOCKS)
RULES = allocation_rules(PROTOCOL)
MADE = allocation_list(RULES, 5)


def test_counts_and_gaps_are_those_of_the_list():
    groups = balance_groups(RULES, MADE).set_index("group")
    assert list(groups.index) == ["All", "site: north", "site: south", "sex: female", "sex: male"]
    for name, row in groups.iterrows():
        column, _, word = str(name).partition(": ")
        inside = MADE if name == "All" else MADE[MADE[column] == word]
        # Second route: running counts in pandas, an arm of ratio 2 counting half.
        ahead = (inside["arm"] == "stretch_1").cumsum() / 2 - (inside["arm"] == "none").cumsum()
        assert row["largest_gap"] == ahead.abs().max()
        assert row["count_none"] == (inside["arm"] == "none").sum()
        assert row["count_none"] + row["count_stretch_1"] == row["entries"] == len(inside)


def test_along_the_list_only_the_distance_is_told():
    along = balance_along(RULES, MADE)
    # Forty entries a list: four steps of ten.
    assert along["entries"].tolist() == [40, 80, 120, 160]
    for row in along.itertuples():
        until = int(row.share * 40)
        begun = [MADE.iloc[at : at + until] for at in range(0, 160, 40)]
        apart = [abs((one["arm"] == "stretch_1").sum() / 2 - (one["arm"] == "none").sum()) for one in begun]
        assert row.gap_in_a_stratum == max(apart)
    assert not any(arm in name for name in along.columns for arm in RULES.arms)


def test_small_groups_and_groups_of_one_arm_are_not_shown():
    rules = allocation_rules(planned_protocol(tables=MINIMISED))
    rows = [("north", "female", ("none", "stretch_1")[n % 2]) for n in range(20)]
    rows += [("south", "male", ("none", "stretch_1")[n % 2]) for n in range(9)]
    people = pd.DataFrame(rows, columns=["site", "sex", "arm"])
    groups = balance_groups(rules, people).set_index("group")
    # South has nine: neither it nor north, which the total would tell, is shown.
    assert groups.loc["All", "count_none"] == 15
    assert groups.loc[["site: north", "site: south"], "count_none"].isna().all()
    one_arm = people.assign(arm=np.where(people["site"] == "north", "none", "stretch_1"))
    assert balance_groups(rules, one_arm.iloc[:20]).loc[0, "count_none":].isna().all()
    table = allocation_balance(planned_protocol(tables=MINIMISED), rules, 1, people).table()
    assert table.rows[1][2:] == (NOT_SHOWN,) * 3
    assert table.rows[0][2] == "15 (14.5)"


def test_a_list_of_blocks_says_how_guessable_it_was():
    balance = allocation_balance(PROTOCOL, RULES, 5, MADE)
    g = balance.guessing
    assert g.by_chance == pytest.approx(2 / 3)
    assert g.by_chance < g.right < 1
    # Whoever knows where blocks end knows more; with one size both know the same of whole blocks.
    assert 0 < g.certain < g.by_block_ends
    one_size = allocation_rules(planned_protocol(more=RATIO, tables=STRATA + "entries = 30\nblock_sizes = [3]\n"))
    alike = allocation_balance(PROTOCOL, one_size, 5, allocation_list(one_size, 5)).guessing
    assert alike.certain == alike.by_block_ends
    # Blocks of three of one and two: the last always, the one before it where the single one came first (a third),
    # by hand 4 / 9 of entries on average; 40 blocks, four standard errors of a share.
    assert alike.by_block_ends == pytest.approx(4 / 9, abs=4 * np.sqrt(2 / 9 / 40) / 3)
    assert alike.whole_blocks == 40


def test_nobody_allocated_yet_is_a_sentence():
    rules = allocation_rules(planned_protocol(tables=MINIMISED))
    with pytest.raises(DesignError, match="Nobody has been allocated yet"):
        allocation_balance(PROTOCOL, rules, 1, pd.DataFrame(columns=["site", "sex", "arm"]))


def test_the_page_holds_neither_list_nor_seed(tmp_path: Path, capsys):
    folder, secret, where = _study(tmp_path, BLOCKS.replace("[3, 6]", "[4, 6]")), tmp_path / "s", tmp_path / "report"
    assert main(["allocate", str(folder), "--secret", str(secret)]) == CLEAN
    call = ["allocate", str(folder), "--secret", str(secret), "--balance", str(where)]
    assert main(call) == CLEAN
    said = capsys.readouterr().out
    page = (where / PAGE).read_text(encoding="utf-8")
    hidden = tomllib.loads((secret / SECRET).read_text())
    assert [path.name for path in where.iterdir()] == [PAGE]
    assert not (folder / LIST).exists()
    for told in (said, page):
        assert hidden["seed"] not in told
        assert hidden["nonce"] not in told
        assert re.search(r"\b[A-D]0\d\d\b", told) is None  # codes of entries
    assert "names no entry" not in page
    assert main(call) == CALLED_WRONGLY
    assert "is there already; nothing was written" in capsys.readouterr().err
    assert main([*call[:-1], str(folder / "study.toml")]) == CALLED_WRONGLY
    (secret / LIST).write_bytes((secret / LIST).read_bytes().replace(b"A001", b"A002", 1))
    assert main([*call[:-1], str(tmp_path / "other")]) == PROBLEMS
    assert not (tmp_path / "other").exists()
