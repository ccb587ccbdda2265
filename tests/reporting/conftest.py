"""The invented plan that all tests of files, charts, sheets and pages share."""

from __future__ import annotations

import pytest
from plan_fixture import HOSTILE_NAMES, make_plan

from meshplan.records import Plan


@pytest.fixture(scope="session")
def plan() -> Plan:
    """Return the plan of Tansy Hollow."""
    return make_plan()


@pytest.fixture(scope="session")
def hostile_plan() -> Plan:
    """Return the same plan with names that try to break out of their page."""
    return make_plan(" <b>&{{7*7}}", names=HOSTILE_NAMES)
