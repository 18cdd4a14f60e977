"""Pictures of casts: kept beside the record; only pictures, and nothing from elsewhere."""

import stat
from io import BytesIO

import pytest
from PIL import Image

from potvigil.upkeep import pictures
from potvigil.upkeep.pictures import PictureError


def drawn(kind: str) -> bytes:
    """Return a small picture, as Pillow writes one of that kind."""
    file = BytesIO()
    Image.new("RGB", (8, 6), "white").save(file, kind)
    return file.getvalue()


@pytest.mark.parametrize(
    ("named", "kind"), [("JPEG", "image/jpeg"), ("PNG", "image/png"), ("WEBP", "image/webp")]
)
def test_pictures_a_browser_can_show_are_kept_and_read_again(tmp_path, named, kind):
    record, content = tmp_path / "record.db", drawn(named)
    assert pictures.kind_of(content) == kind
    pictures.keep(record, 7, "lens.jpg", content)
    assert pictures.read(record, 7, "lens.jpg") == content
    assert pictures.read(record, 8, "lens.jpg") is None
    kept = tmp_path / "record.db-pictures" / "7" / "lens.jpg"
    assert not stat.S_IMODE(kept.stat().st_mode) & 0o007


@pytest.mark.parametrize(
    "content", [b"", b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"GIF89a", b"%PDF-1.7", b"RIFF"]
)
def test_a_file_that_is_not_a_picture_is_refused(tmp_path, content):
    assert pictures.kind_of(content) is None
    with pytest.raises(PictureError, match="not a JPEG, PNG or WebP"):
        pictures.keep(tmp_path / "record.db", 7, "lens.jpg", content)
    assert not (tmp_path / "record.db-pictures").exists()


@pytest.mark.parametrize(
    "name", ["", ".", "..", "../secret", "/etc/passwd", "a\\b", ".hidden", "a\x00b", "x" * 121]
)
def test_a_picture_name_reaches_only_files_of_its_batch(tmp_path, name):
    record = tmp_path / "record.db"
    (tmp_path / "secret").write_bytes(drawn("JPEG"))
    with pytest.raises(PictureError):
        pictures.keep(record, 7, name, drawn("JPEG"))
    assert pictures.read(record, 7, name) is None


def test_a_file_no_longer_a_picture_or_too_large_is_not_shown(tmp_path, monkeypatch):
    record = tmp_path / "record.db"
    pictures.keep(record, 7, "lens.jpg", drawn("JPEG"))
    file = tmp_path / "record.db-pictures" / "7" / "lens.jpg"
    monkeypatch.setattr(pictures, "LARGEST_BYTES", file.stat().st_size - 1)
    assert pictures.read(record, 7, "lens.jpg") is None
    with pytest.raises(PictureError, match="at most"):
        pictures.keep(record, 7, "other.jpg", drawn("JPEG"))
    monkeypatch.undo()
    file.write_text("<script>")
    assert pictures.read(record, 7, "lens.jpg") is None


def test_each_new_picture_gets_its_own_name_up_to_a_limit(tmp_path):
    record, names = tmp_path / "record.db", ["cast-1.jpg"]
    assert pictures.new_name(record, 7, "image/jpeg", names) == "cast-2.jpg"
    pictures.keep(record, 7, "cast-2.jpg", drawn("JPEG"))  # taken out of the details, its file stays
    assert pictures.new_name(record, 7, "image/jpeg", names) == "cast-3.jpg"
    names = [f"cast-{n}.jpg" for n in range(1, pictures.MOST_OF_BATCH + 1)]
    with pytest.raises(PictureError):
        pictures.new_name(record, 7, "image/jpeg", names)
