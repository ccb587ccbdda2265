"""Write a set of files so that after a stop at any moment, or on a full disk, all of the set are new or all are old.

The set is written into a scratch folder inside its place and forced to the disk. Then a journal is written; from that moment the
set counts as written. The files are moved into place one by one; a fault on the way moves them all back, and a set that a stop
caught half moved is completed by the next run. Where not even the way back is open, the journal stays, the message says so, and the
next run goes the way that was begun, on or back. A scratch folder is locked by its owner: the next run removes those whose owner is
dead. The moves of two runs never mix, because they lock the folder.
"""

from __future__ import annotations

import json
import os
import shutil
import stat
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from meshplan.errors import MeshplanError

try:
    import fcntl
except ImportError:  # without these locks nothing is completed or removed: owners cannot be told from the dead
    fcntl = None  # type: ignore[assignment]

PREFIX: Final = ".meshplan."
SUFFIX: Final = ".part"
_JOURNAL: Final = ".journal"
_BACK: Final = ".back"
"""The journal under this name: the set is being taken back."""
_OLD: Final = ".old"
_HALF: Final = "Some files there are new and others old until the next run sets that right"


@contextmanager
def all_or_nothing(
    folder: Path, *, removed: Sequence[str] = (), check: Callable[[], None] | None = None, own_rights: bool = False
) -> Iterator[Path]:
    """Give a scratch folder; when the block ends well its files take their places in `folder`, else none does.

    Files of the same names are replaced; others in the folder are left alone. Inside another such block it belongs to that set.

    Parameters
    ----------
    folder : Path
    removed : sequence of str, optional
        Files that are taken away with the set.
    check : callable, optional
        Called with the folder locked, last before anything is moved; what it raises leaves all as it is.
    own_rights : bool, optional
        Whether a file that is replaced hands its rights on: files of the user, where our own results get those of any new file.
    """
    if is_scratch(folder):
        folder.mkdir(parents=True, exist_ok=True)
        yield folder
        return
    made = _missing_folders(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with _locked(folder):
            _recover(folder)
            scratch = Path(tempfile.mkdtemp(dir=folder, prefix=PREFIX, suffix=SUFFIX))
            owner = _lock(scratch, wait=False)
    except OSError as error:
        _remove_folders(made)
        raise cannot_write(folder, error) from error
    done = False
    try:
        yield scratch
        _commit(scratch, folder, removed, check, own_rights=own_rights)
        done = True
    except OSError as error:
        told = cannot_write(Path(os.fsdecode(error.filename)) if error.filename else folder, error)
        if _is_half_moved(scratch):
            told = MeshplanError(f"{told.problem}. {_HALF}", where=told.where, fix=told.fix)
        raise told from error
    finally:
        if done or not _is_half_moved(scratch):
            shutil.rmtree(scratch, ignore_errors=True)
        _unlock(owner)
        if not done:
            _remove_folders(made)


def recover(folder: Path) -> None:
    """Complete a set that a stop caught half moved, and remove what dead runs left behind; nothing where nothing is left."""
    with suppress(OSError):
        if any(_scratch_folders(folder)):
            with _locked(folder):
                _recover(folder)


def is_scratch(path: Path) -> bool:
    """Tell whether a path lies in a scratch folder."""
    return any(_is_scratch_name(part) for part in path.parts)


def users_path(path: Path) -> Path:
    """Return where a file of a scratch folder is meant to go: the path that the user knows."""
    return Path(*(part for part in path.parts if not _is_scratch_name(part)))


def cannot_write(path: Path, error: OSError) -> MeshplanError:
    """Return the fault of a file that could not be written, by the path that the user knows."""
    return MeshplanError(
        f"cannot be written: {error.strerror or error}",
        where=str(users_path(path)),
        fix="Choose a folder you may write to, make room on the disk, or close the program that holds the file.",
    )


def force_to_disk(path: Path) -> None:
    """Wait until a file or the entries of a folder are on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if not path.is_dir():  # some file systems cannot do this with folders
            error.filename = str(path)
            raise
    finally:
        os.close(handle)


def give_usual_rights(path: Path) -> None:
    """Give the file the rights any new file would have; temporary files are private by default."""
    mask = os.umask(0)
    os.umask(mask)
    path.chmod(0o666 & ~mask)


def _commit(
    scratch: Path, folder: Path, removed: Sequence[str], check: Callable[[], None] | None, *, own_rights: bool = False
) -> None:
    names = sorted(str(path.relative_to(scratch)) for path in scratch.rglob("*") if path.is_file())
    for name in names:
        give_usual_rights(scratch / name)
        if own_rights and (folder / name).is_file():
            (scratch / name).chmod(stat.S_IMODE((folder / name).stat().st_mode))
        force_to_disk(scratch / name)
    with _locked(folder):
        if check is not None:
            check()
        made: list[Path] = []
        for name in names:
            _refuse_blocked(folder / name)
        try:
            for name in names:
                made += _missing_folders((folder / name).parent)
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
            _keep_old(scratch, folder, [*names, *removed])
            _write_journal(scratch, names, removed)
        except BaseException:
            (scratch / _JOURNAL).unlink(missing_ok=True)
            _remove_folders(made)
            raise
        try:
            for name in names:
                (scratch / name).replace(folder / name)
            for name in removed:
                (folder / name).unlink(missing_ok=True)
        except BaseException:
            with suppress(OSError):
                (scratch / _JOURNAL).replace(scratch / _BACK)
                _take_back(scratch, folder)
                _remove_folders(made)
            raise
        with suppress(OSError):  # every file is in its place: what fails from here on takes none of them back
            for place in {(folder / name).parent for name in (*names, *removed)}:
                force_to_disk(place)
            (scratch / _JOURNAL).unlink(missing_ok=True)


def _refuse_blocked(target: Path) -> None:
    """Raise if a folder stands where a file is to go, or its own folder may not be written to."""
    if target.is_dir() and not target.is_symlink():
        raise IsADirectoryError(21, "a folder of that name is in the way", str(target))
    place = next(parent for parent in target.parents if os.path.lexists(parent))
    if not place.is_dir():
        raise NotADirectoryError(20, "a file stands where this folder should be", str(place))
    if not os.access(place, os.W_OK | os.X_OK):
        raise PermissionError(13, "Permission denied", str(place))


def _keep_old(scratch: Path, folder: Path, names: Sequence[str]) -> None:
    """Keep the files that will be replaced: by a second name where the file system has such, else as a copy."""
    for name in names:
        if os.path.lexists(folder / name):
            kept = scratch / _OLD / name
            kept.parent.mkdir(parents=True, exist_ok=True)
            try:
                os.link(folder / name, kept, follow_symlinks=False)
            except OSError:
                shutil.copy2(folder / name, kept, follow_symlinks=False)


def _write_journal(scratch: Path, names: Sequence[str], removed: Sequence[str]) -> None:
    part = scratch / f"{_JOURNAL}.new"
    replaced, gone = ([name for name in some if os.path.lexists(scratch / _OLD / name)] for some in (names, removed))
    part.write_text(json.dumps({"names": list(names), "replaced": replaced, "removed": gone}), encoding="utf-8")
    force_to_disk(part)
    part.replace(scratch / _JOURNAL)
    force_to_disk(scratch)


def _read_journal(path: Path) -> tuple[list[str], list[str], list[str]]:
    """Return the files of a set, those of them that replace older ones, and those taken away; nothing where it is none of ours.

    A folder that came from a stranger may hold one too: it moves nothing out of its place.
    """
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        lists = [[str(name) for name in found[key]] for key in ("names", "replaced")]
        lists.append([str(name) for name in found.get("removed", [])])
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return [], [], []
    if any(Path(name).is_absolute() or ".." in Path(name).parts for names in lists for name in names):
        return [], [], []
    return lists[0], lists[1], lists[2]


def _take_back(scratch: Path, folder: Path) -> None:
    """Put the old files back and take away the new ones that had none before them; may be done again where it was stopped."""
    names, replaced, removed = _read_journal(scratch / _BACK)
    for name in names:
        kept = scratch / _OLD / name
        if name in replaced:
            if os.path.lexists(kept):
                kept.replace(folder / name)
        elif not (scratch / name).exists():
            (folder / name).unlink(missing_ok=True)
    for name in removed:
        if os.path.lexists(scratch / _OLD / name) and not os.path.lexists(folder / name):
            (scratch / _OLD / name).replace(folder / name)
    (scratch / _BACK).unlink(missing_ok=True)


def _complete(scratch: Path, folder: Path) -> None:
    """Move what a stop left in the scratch folder into place."""
    names, _, removed = _read_journal(scratch / _JOURNAL)
    for name in names:
        if (scratch / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (scratch / name).replace(folder / name)
    for name in removed:
        if _same_file(scratch / _OLD / name, folder / name):  # else it was written anew since, or the journal is a stranger's
            (folder / name).unlink(missing_ok=True)
    (scratch / _JOURNAL).unlink(missing_ok=True)


def _same_file(kept: Path, there: Path) -> bool:
    """Whether a file is the one that was kept, or a copy of it."""
    return kept.is_file() and there.is_file() and (kept.samefile(there) or kept.read_bytes() == there.read_bytes())


def _is_half_moved(scratch: Path) -> bool:
    return (scratch / _JOURNAL).is_file() or (scratch / _BACK).is_file()


def _recover(folder: Path) -> None:
    """Do what `recover` says, with the folder locked."""
    for scratch in _scratch_folders(folder):
        owner = _lock(scratch, wait=False)
        if owner is None:
            continue
        try:
            if (scratch / _BACK).is_file():
                _take_back(scratch, folder)
            elif (scratch / _JOURNAL).is_file():
                _complete(scratch, folder)
            shutil.rmtree(scratch, ignore_errors=True)
        finally:
            _unlock(owner)


def _scratch_folders(folder: Path) -> list[Path]:
    return sorted(path for path in folder.glob(f"{PREFIX}*{SUFFIX}") if path.is_dir() and not path.is_symlink())


def _is_scratch_name(name: str) -> bool:
    return name.startswith(PREFIX) and name.endswith(SUFFIX)


def _missing_folders(folder: Path) -> list[Path]:
    """Return the folders that making this one would make, the innermost first."""
    return [path for path in (folder, *folder.parents) if not os.path.lexists(path)]


def _remove_folders(made: Sequence[Path]) -> None:
    """Remove folders that were made for files that did not come, where nothing else is in them."""
    for path in sorted(set(made), key=lambda path: -len(path.parts)):
        with suppress(OSError):
            path.rmdir()


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Hold the folder while the block runs; other runs wait for the moment that this takes."""
    handle = _lock(folder, wait=True)
    try:
        yield
    finally:
        _unlock(handle)


def _lock(folder: Path, *, wait: bool) -> int | None:
    """Return a handle that holds the folder until it is given back or its process ends; None where another has it."""
    if fcntl is None:
        return None
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        os.close(handle)
        return None
    return handle


def _unlock(handle: int | None) -> None:
    if handle is not None:
        os.close(handle)
