"""What the registry knows at one moment: which sites, circuits and controllers there are, and their zones."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from coilbook.ingest.store import Session

# Of several rows of one subject, the one with the latest valid_from speaks for it.
_SITES = "SELECT site_id, arg_max(timezone, coalesce(valid_from, DATE '0001-01-01')) FROM site GROUP BY ALL"
_CIRCUITS = (
    "SELECT circuit_id, arg_max(site_id, coalesce(valid_from, DATE '0001-01-01')) FROM circuit GROUP BY ALL"
)
_CONTROLLERS = """
    SELECT controller_id, arg_max(site_id, coalesce(valid_from, DATE '0001-01-01'))
    FROM circuit WHERE controller_id IS NOT NULL GROUP BY ALL"""


@dataclass(frozen=True)
class Known:
    """`zones` by site, `circuits` and `controllers` to their site."""

    zones: dict[str, str]
    circuits: dict[str, str]
    controllers: dict[str, str]

    @classmethod
    def read(cls, session: Session) -> Known:
        """The registry as `session` sees it."""
        return cls(
            dict(session.rows(_SITES)), dict(session.rows(_CIRCUITS)), dict(session.rows(_CONTROLLERS))
        )

    @cached_property
    def own_site(self) -> dict[str, str]:
        """Every site to itself, so that all owners are looked up alike."""
        return {site: site for site in self.zones}

    def sites_of(self, owner: str) -> dict[str, str]:
        """Subject to site, for owner column `site_id`, `circuit_id` or `controller_id`."""
        return {"site_id": self.own_site, "circuit_id": self.circuits, "controller_id": self.controllers}[
            owner
        ]
