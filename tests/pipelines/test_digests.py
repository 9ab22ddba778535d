"""Two installations count as alike only if their code and their knowledge are."""

from pipelines import digests


def test_code_data_and_names_all_count(tmp_path, monkeypatch):
    monkeypatch.setattr(digests, "__file__", str(tmp_path / "digests.py"))
    seen = {digests.package_digest()}
    for name, text in (("a.py", "x"), ("causes/causes.toml", "x"), ("causes/causes.toml", "y"), ("b.csv", "x")):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text)
        seen.add(digests.package_digest())
    (tmp_path / "a.py").rename(tmp_path / "c.py")
    assert len(seen | {digests.package_digest()}) == 6
    (tmp_path / "a.nbi").write_text("x")
    assert len(seen | {digests.package_digest()}) == 6
