"""A recorded log as Parquet, for analysis: the columns and numbers of the CSV.

Source: Apache Parquet format, https://parquet.apache.org/docs/file-format/. The library takes 170 MB, so it
is in an extra, `parquet`, that a Pi gets only on request.
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from itertools import islice
from typing import BinaryIO

from potvigil.model.pot import Pot
from potvigil.model.reading import Reading, Sample
from potvigil.record.errors import MissingLibraryError
from potvigil.reports.export import columns, readings

_ROWS_AT_ONCE = 65_536  # a night has 36 000


def write_parquet(
    file: BinaryIO, pairs: Iterable[tuple[Sample, Reading]], pot: Pot, unit: str | None = None
) -> int:
    """Write samples as `write_csv` does; return the number of rows. Raises MissingLibraryError.

    Unknown values are null. `time` is UTC, to the millisecond.
    """
    try:
        import pyarrow as pa
        from pyarrow.parquet import ParquetWriter
    except ImportError as error:
        raise MissingLibraryError.of("pyarrow", error, "Parquet", "parquet") from error
    kinds = {"time": pa.timestamp("ms", tz="UTC")}
    schema = pa.schema([(name, kinds.get(name, pa.float64())) for name in columns(pot, unit)])
    rows = (
        (elapsed_s, None if utc_s is None else _moment(utc_s), *numbers)
        for elapsed_s, utc_s, *numbers in readings(pairs, pot, unit)
    )
    count = 0
    with ParquetWriter(file, schema) as writer:
        while several := list(islice(rows, _ROWS_AT_ONCE)):
            by_column = zip(*several, strict=True)
            arrays = [pa.array(each, field.type) for each, field in zip(by_column, schema, strict=True)]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
            count += len(several)
    return count


def _moment(utc_s: float) -> datetime:
    """Return Unix time cut to the millisecond, as `rfc3339` does."""
    moment = datetime.fromtimestamp(utc_s, UTC)
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)
