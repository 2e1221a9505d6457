"""A tuning as one file: its record as JSON and its frames as Parquet, in a ZIP archive."""

from __future__ import annotations

import io
import zipfile

import polars as pl
from coilbook.analytics.queries.tune import Tuning
from coilbook.api.fields import naive
from coilbook.api.tune_models import TuningSummary, summary

RECORD = "tuning.json"
ENDING = ".parquet"
MEDIA_TYPE = "application/zip"
EPOCH = (
    1980,
    1,
    1,
    0,
    0,
    0,
)  # the earliest a ZIP archive knows, so that the same tuning gives the same bytes


def pack(found: Tuning) -> bytes:
    """The archive of a tuning."""
    body = io.BytesIO()
    with zipfile.ZipFile(body, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(zipfile.ZipInfo(RECORD, EPOCH), summary(found).model_dump_json(indent=2))
        for name, frame in found.frames.items():
            part = io.BytesIO()
            frame.write_parquet(part)
            archive.writestr(zipfile.ZipInfo(name + ENDING, EPOCH), part.getvalue())
    return body.getvalue()


def unpack(body: bytes) -> Tuning:
    """The tuning of an archive that `pack` made."""
    with zipfile.ZipFile(io.BytesIO(body)) as archive:
        told = TuningSummary.model_validate_json(archive.read(RECORD))
        frames = {
            name.removesuffix(ENDING): pl.read_parquet(io.BytesIO(archive.read(name)))
            for name in archive.namelist()
            if name.endswith(ENDING)
        }
    values = {name: getattr(told, name) for name in TuningSummary.model_fields}
    return Tuning(**values | {"made_at": naive(told.made_at), "frames": frames})
