"""An open folder: names in it and links, with calls relative to it and by path alone."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from memtool.store import folder as module
from memtool.store.folder import Folder, make_folders, open_folder

needs_links = pytest.mark.skipif(os.name != "posix", reason="needs POSIX links and modes")
NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL


@pytest.fixture(params=[True, False], ids=["by descriptor", "by path"])
def opened(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(module, "BY_DESCRIPTOR", request.param and module.BY_DESCRIPTOR)
    return tmp_path


def write(folder: Folder, name: str) -> None:
    os.close(folder.open(name, NEW))


def test_names_are_made_shown_moved_and_removed(opened: Path) -> None:
    old = os.umask(0)
    try:
        with open_folder(opened) as folder:
            assert (folder.descriptor is None) is not module.BY_DESCRIPTOR
            folder.make("inside")
            folder.make("inside")
            write(folder, "b")
            write(folder, "a")
            assert folder.names() == ["a", "b", "inside"]
            assert folder.shown("a") == str(opened / "a")
            with folder.folder("inside") as inside:
                folder.move("a", inside, "c")
                assert inside.names() == ["c"]
                assert stat.S_IMODE((opened / "inside" / "c").stat().st_mode) == 0o600
            folder.link("b", "d")
            with pytest.raises(FileExistsError):
                folder.link("d", "b")
            assert (opened / "d").stat().st_nlink == 2
            folder.remove("b")
            assert folder.names() == ["d", "inside"]
        assert stat.S_IMODE((opened / "inside").stat().st_mode) == 0o700
        assert stat.S_IMODE((opened / "d").stat().st_mode) == 0o600
    finally:
        os.umask(old)


def test_a_closed_folder_has_given_its_descriptor_back(opened: Path) -> None:
    folder = open_folder(opened)
    descriptor = folder.descriptor
    folder.close()
    folder.close()
    assert folder.descriptor is None
    if descriptor is not None:
        with pytest.raises(OSError, match="Bad file descriptor"):
            os.fstat(descriptor)


@pytest.mark.skipif(not module.BY_DESCRIPTOR, reason="needs calls relative to a folder")
def test_an_open_folder_stays_the_one_that_was_opened(tmp_path: Path) -> None:
    """Another program renames it and puts another of its name there."""
    (tmp_path / "store" / "inside").mkdir(parents=True)
    with open_folder(tmp_path / "store") as folder, folder.folder("inside") as inside:
        (tmp_path / "store").rename(tmp_path / "renamed")
        (tmp_path / "store" / "inside").mkdir(parents=True)
        (tmp_path / "store" / "decoy").write_text("x")
        write(folder, "a")
        folder.link("a", "b")
        folder.make("made")
        folder.move("a", inside, "c")
        assert folder.names() == ["b", "inside", "made"]
        assert folder.status("decoy") is None
        assert folder.status("b") is not None
        with pytest.raises(FileNotFoundError):
            folder.open("decoy", os.O_RDONLY)
        with pytest.raises(FileNotFoundError):
            folder.remove("decoy")
        with folder.folder("made") as made:
            write(made, "d")
    assert sorted(path.name for path in (tmp_path / "store").rglob("*")) == ["decoy", "inside"]
    assert (tmp_path / "renamed" / "inside" / "c").exists()
    assert (tmp_path / "renamed" / "made" / "d").exists()


@needs_links
def test_a_link_is_seen_and_never_opened(opened: Path) -> None:
    (opened / "file").write_text("x")
    (opened / "link").symlink_to("file")
    (opened / "dangling").symlink_to("nowhere")
    (opened / "real").mkdir()
    (opened / "led").symlink_to("real")
    with open_folder(opened) as folder:
        for name in ("link", "dangling"):
            status = folder.status(name)
            assert status is not None
            assert stat.S_ISLNK(status.st_mode)
            with pytest.raises(OSError, match="symbolic links") as caught:
                folder.open(name, os.O_RDONLY)
            assert caught.value.errno == errno.ELOOP
        with pytest.raises(OSError, match=r"symbolic links|Not a directory"):
            folder.folder("led")
        assert folder.status("nothing") is None


@needs_links
def test_a_link_to_a_folder_is_followed_unless_it_must_not_be(opened: Path) -> None:
    (opened / "real").mkdir()
    (opened / "led").symlink_to("real")
    with open_folder(opened / "led") as folder:
        write(folder, "a")
    assert (opened / "real" / "a").exists()
    with pytest.raises(OSError, match="symbolic links") as caught:
        open_folder(opened / "led", follow=False)
    assert caught.value.errno == errno.ELOOP
    open_folder(opened / "real", follow=False).close()


def test_a_file_is_no_folder(opened: Path) -> None:
    (opened / "file").write_text("x")
    with pytest.raises(NotADirectoryError):
        open_folder(opened / "file")


def test_folders_are_made_from_the_first_that_is_missing(
    opened: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the last that exists is made durable as well: a run that was cut off may have made it."""
    made = []
    make = Folder.make

    def noted(folder: Folder, name: str) -> None:
        made.append(str(folder.path / name))
        make(folder, name)

    monkeypatch.setattr(Folder, "make", noted)
    make_folders(opened / "a" / "b")
    assert made == [str(opened), str(opened / "a"), str(opened / "a" / "b")]
    assert (opened / "a" / "b").is_dir()


def test_a_relative_folder_is_made(opened: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(opened)
    make_folders(Path("a") / "b")
    make_folders(Path())
    assert (opened / "a" / "b").is_dir()


@pytest.mark.parametrize("exists", [True, False])
def test_a_folder_above_that_is_closed_matters_only_where_something_is_to_be_made(
    opened: Path, monkeypatch: pytest.MonkeyPatch, exists: bool
) -> None:
    """Root may open everything, so the system's answer is played."""
    real = module.open_folder

    def closed(path: Path, *, follow: bool = True) -> Folder:
        if path == opened:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        return real(path, follow=follow)

    if exists:
        (opened / "a").mkdir()
    monkeypatch.setattr(module, "open_folder", closed)
    if exists:
        make_folders(opened / "a")
        make_folders(opened / "a" / "b")
        assert (opened / "a" / "b").is_dir()
    else:
        with pytest.raises(PermissionError):
            make_folders(opened / "a")


@pytest.mark.parametrize("number", [errno.EIO, errno.EINVAL, errno.ENOTSUP, errno.ENOSYS])
def test_a_folder_that_cannot_be_synced_is_an_error_where_it_could_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    def fsync(descriptor: int) -> None:
        raise OSError(number, os.strerror(number))

    with open_folder(tmp_path) as folder:
        monkeypatch.setattr(os, "fsync", fsync)
        if folder.descriptor is not None and number == errno.EIO:
            with pytest.raises(OSError, match=os.strerror(number)):
                folder.sync()
        else:
            folder.sync()
