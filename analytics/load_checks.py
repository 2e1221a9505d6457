"""What each step should have been, and whether it was seen: the load checks that look back 28 days.

A day that changes moves the learned steps, and so the verdicts, of the 28 days after it. The steps
themselves are kept in `switch_check` and `stay_on`, so only the comparison is made again.
"""

from __future__ import annotations

from coilbook.analytics.sql_files import working
from coilbook.ingest.store import Session


def judge_checks(session: Session) -> None:
    """Fill `expected_w`, `learned` and `verdict` of the checks that the days in `asked_day` may have moved.

    Reads the session's working tables `asked_day` (site_id, local_date) and `setting_day`.
    """
    session.run(working("check_verdict"))
    session.run(
        """
        UPDATE switch_check SET expected_w = v.expected_w, learned = v.learned, verdict = v.verdict
        FROM check_verdict v
        WHERE switch_check.circuit_id = v.circuit_id AND switch_check.ts = v.ts
        """
    )
    session.run(working("stay_verdict"))
    session.run(
        """
        UPDATE stay_on SET expected_w = v.expected_w, verdict = v.verdict
        FROM stay_verdict v
        WHERE stay_on.circuit_id = v.circuit_id AND stay_on.ts = v.ts AND stay_on.kind = 'house'
        """
    )
