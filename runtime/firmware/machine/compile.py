"""Compile the C of a firmware folder for a core, or for this machine.

``zig cc`` (from the ``ziglang`` package) is a C compiler for every core; a GCC for the core or a
system's clang, which links by lld, is used instead when asked for. Only the folder on disk is
compiled: what a board would get is what is executed and measured.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

from runtime.errors import Error, FormatError, ToolError
from runtime.files import write_whole
from runtime.firmware.machine.cores import CORES, find_core
from runtime.firmware.machine.harness import HARNESS_C, LINKER_SCRIPT, MEMORY_C

__all__ = [
    "HOST",
    "OPTIMISE",
    "WARNINGS",
    "CompiledFirmware",
    "compile_for",
    "compiler_version",
    "compilers_of",
    "cores_of",
]

HOST = "host"
"""Name of the machine that this program runs on, wherever a core's name is required."""

OPTIMISE = "-O2"
"""Level at which everything is compiled, and priced, unless another is asked for."""

WARNINGS = ("-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion")
"""Required of every compiler; the generated C gives none, and tests make them errors."""

_OTHERS = ("arm-none-eabi-gcc", "riscv64-unknown-elf-gcc", "clang")
"""Compilers besides zig that are looked for on the path, by the names that systems give them."""

_SOURCES = ("pw_model.c", "pw_model.h")
_SELFTEST = ("selftest.c", "pw_vectors.h")
_HARNESS = {"harness.c": HARNESS_C.encode(), "memory.c": MEMORY_C.encode()}
"""What is linked to every model."""
_INCLUDE = re.compile(rb'^[ \t]*#[ \t]*include[ \t]*("[^"\n]+"|[A-Za-z_]\w*)', re.MULTILINE)
"""What is asked for: a name in quotation marks, or a macro that stands for one."""
_TIMEOUT_S = 300


@dataclass(frozen=True, slots=True)
class CompiledFirmware:
    """A firmware folder compiled for one core.

    Attributes
    ----------
    core : str
        Name of the core, or ``host``.
    image : bytes
        The linked ELF file; for the host a shared library in the system's own format.
    model_object : bytes
        The model's own object file, without harness and memory routines: its sections are the
        flash that the model takes.
    compiler : str
        Name and version of the compiler.
    """

    core: str
    image: bytes
    model_object: bytes
    compiler: str


def compile_for(
    folder: Path | str,
    core: str,
    *,
    compiler: str = "zig",
    optimise: str = OPTIMISE,
    extra: tuple[str, ...] = (),
    around: str | None = None,
    selftest: bool = False,
) -> CompiledFirmware:
    """Compile the firmware in `folder` as it is on disk.

    Parameters
    ----------
    folder : path
        Holds ``pw_model.c`` and what it includes. Where it also holds ``harness_board.c``, a board,
        the device program and the watching stage are linked as well.
    core : str
        One of `cores.CORES`, or ``host`` for a shared library for this machine.
    compiler : str
        ``zig``, ``clang``, or the name of a GCC (``arm-none-eabi-gcc``).
    optimise : str
        The compiler's optimisation level.
    extra : tuple of str
        More compiler arguments.
    around : str, optional
        C that includes ``pw_model.c`` and is compiled in its place, to reach what is static in it.
    selftest : bool
        Whether the folder's self-test is linked, so that the harness can call it.

    Raises
    ------
    FormatError
        The folder lacks a source file.
    ToolError
        The compiler is missing, or refuses the code; the first line it reports is quoted.
    """
    folder = Path(folder)
    for name in (*_SOURCES, *(_SELFTEST if selftest else ())):
        if not (folder / name).is_file():
            raise FormatError(str(folder), "firmware source", f"without {name}", "present",
                              "write the firmware first")  # fmt: skip
    program = _program(compiler)
    target = _target_flags(core, compiler)
    common = [
        *program,
        *target,
        *WARNINGS,
        optimise,
        "-fomit-frame-pointer",
        *extra,
    ]
    with tempfile.TemporaryDirectory(prefix="pw-build-") as build:
        out = Path(build)
        kept = _with_includes(folder)
        model, harness = _kept(kept, out), _kept(_HARNESS, out)
        common.append(f"-I{model}")
        if _asks_for_more(kept, around):
            common.append(f"-I{folder.resolve()}")
        source, sources = model / "pw_model.c", [*(str(harness / n) for n in _HARNESS), "model.o"]
        if selftest:
            sources += [str(folder.resolve() / "selftest.c"), "-DHARNESS_SELFTEST"]
        if (folder / "harness_board.c").is_file():
            names = ("pw_watch.c", "pw_device.c", "harness_board.c")
            sources += [str(folder.resolve() / name) for name in names]
        if around is not None:
            source = out / "around.c"
            source.write_text(around)
        (out / "link.ld").write_text(LINKER_SCRIPT)
        _run([*common, "-g", "-c", str(source), "-o", "model.o"], out, core)
        _run([*common, *_link_flags(core, compiler), *sources, "-o", "image"], out, core)
        image, model_object = (out / "image").read_bytes(), (out / "model.o").read_bytes()
    return CompiledFirmware(core, image, model_object, compiler_version(compiler))


def _with_includes(folder: Path) -> dict[str, bytes]:
    """Return the model's source by name, and what it includes of its folder."""
    found: dict[str, bytes] = {}
    names = ["pw_model.c"]
    for name in names:
        if name not in found and (folder / name).is_file():
            found[name] = (folder / name).read_bytes()
            asked = [word.decode("utf-8", "replace") for word in _INCLUDE.findall(found[name])]
            quoted = [word[1:-1] for word in asked if word.startswith('"')]
            names += [word for word in quoted if word == Path(word).name]  # of the folder itself
    return found


def _asks_for_more(kept: dict[str, bytes], around: str | None) -> bool:
    """Tell whether something is included that is not kept: of a lower folder, or by a macro.

    Only then is the folder itself looked in, as zig knows nothing again of what names another one.
    """
    texts = [*kept.values(), (around or "").encode()]
    names = {f'"{name}"'.encode() for name in kept}
    return any(word not in names for text in texts for word in _INCLUDE.findall(text))


def _kept(texts: dict[str, bytes], build: Path) -> Path:
    """Return a folder with these files, the same one each time.

    It lies in the user's cache, as zig knows again only what it compiled at the same place: a model
    is compiled for a core when it is exported, verified, priced and run for a day. Where that
    cannot be written, it is the build's own.
    """
    content = b"".join(name.encode() + b"\0" + texts[name] + b"\0" for name in sorted(texts))
    folder = Path(_cache_folder()) / "sources" / hashlib.sha256(content).hexdigest()[:32]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            path = folder / name
            if not path.is_file() or path.read_bytes() != text:
                write_whole(path, text, lasting=False)
    except (OSError, Error):
        folder = build
        for name, text in texts.items():
            (folder / name).write_bytes(text)
    return folder


def zig_program() -> str:
    """Return the path of the zig program that the ``ziglang`` package brings.

    Raises
    ------
    ToolError
        The package is not installed.
    """
    try:
        import ziglang
    except ImportError as error:
        raise ToolError(
            "compiler", "the package ziglang", "missing", "installed", "pip install ziglang"
        ) from error
    name = "zig.exe" if os.name == "nt" else "zig"
    return str(Path(str(ziglang.__file__)).parent / name)


def _program(compiler: str) -> list[str]:
    """Return the first arguments of the compiler's command line."""
    if compiler == "zig":
        return [zig_program(), "cc"]
    found = shutil.which(compiler)
    if found is None:
        raise ToolError(
            "compiler", compiler, "not found", "a program on the path",
            "install it or leave the compiler at zig",
        )  # fmt: skip
    return [found]


def compiler_version(compiler: str) -> str:
    """Return the compiler's name and version; raises ToolError where it is missing."""
    if compiler == "zig":
        from importlib.metadata import version

        return f"zig cc {version('ziglang')}"
    question = "-dumpversion" if _is_clang(compiler) else "-dumpfullversion"
    done = subprocess.run(  # noqa: S603 - the program was found by name, no shell
        [*_program(compiler), question], capture_output=True, text=True, check=False
    )
    return f"{compiler} {done.stdout.strip()}"


def cores_of(compiler: str) -> tuple[str, ...]:
    """Return the names of the cores that a compiler has: zig all, a GCC its target's."""
    if compiler == "zig":
        return tuple(core.name for core in CORES)
    if _is_clang(compiler):
        return tuple(core.name for core in CORES if core.clang)
    return tuple(core.name for core in CORES if core.riscv is compiler.startswith("riscv"))


def compilers_of(core: str) -> tuple[str, ...]:
    """Return the compilers on this machine that have a core: zig, then those on the path.

    clang is one where it has its linker, lld, beside it.
    """
    linked = [c for c in _OTHERS if c != "clang" or shutil.which("ld.lld") is not None]
    return ("zig", *(c for c in linked if shutil.which(c) is not None and core in cores_of(c)))


def _target_flags(core: str, compiler: str) -> list[str]:
    """Return the flags that choose the core."""
    if core == HOST:
        return ["-fPIC", "-fno-sanitize=all", "-fvisibility=hidden"]
    found = find_core(core)
    if compiler == "zig":
        return ["-target", found.target, f"-mcpu={found.cpu}", "-fno-sanitize=all"]
    if _is_clang(compiler):
        if found.riscv:
            return ["--target=riscv32-unknown-elf", *found.gcc_flags]
        return ["--target=arm-none-eabi", "-mfloat-abi=soft", *found.gcc_flags, "-ffreestanding"]
    if found.riscv is not compiler.startswith("riscv"):
        raise ToolError("compiler", compiler, f"not for {core}", "a compiler for that core")
    return list(found.gcc_flags)


def _is_clang(compiler: str) -> bool:
    """Tell whether a compiler is a system's clang, which knows targets by name as zig does."""
    return Path(compiler).name.startswith("clang")


def _link_flags(core: str, compiler: str) -> list[str]:
    """Return the flags of the link step: no C library, own linker script, symbols kept."""
    if core == HOST:
        return ["-shared", "-nostdlib"]
    linker = ["-fuse-ld=lld"] if _is_clang(compiler) else []
    return [
        *linker,
        "-g",
        "-nostdlib",
        "-Wl,-T,link.ld",
        "-Wl,--no-gc-sections",
        "-Wl,--entry=pw_step",
    ]


def _cache_folder() -> str:
    """Return where zig keeps what it has compiled: the user's cache, else the temporary folder."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path("~").expanduser() / ".cache")
    folder = Path(base) / "palmwatt" / "zig"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        writable = os.access(folder, os.W_OK)
    except OSError:
        writable = False
    return str(folder) if writable else str(Path(tempfile.gettempdir()) / "palmwatt-zig")


def _run(command: list[str], folder: Path, core: str) -> None:
    """Run the compiler in `folder`; its first complaint becomes one line."""
    environment = dict(os.environ)
    environment.setdefault("ZIG_GLOBAL_CACHE_DIR", _cache_folder())
    try:
        done = subprocess.run(  # noqa: S603 - a list of arguments, no shell
            command, cwd=folder, env=environment, capture_output=True, text=True,
            timeout=_TIMEOUT_S, check=False,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired) as error:
        raise ToolError(
            f"compile for {core}", "run of the compiler", f"broken off ({error})", "finished"
        ) from error
    if done.returncode != 0:
        raise ToolError(
            f"compile for {core}",
            "answer of the compiler",
            f"'{_first_error(done.stderr)}'",
            "an object file without errors",
            "export the firmware anew if it was changed by hand",
        )


def _first_error(text: str) -> str:
    """Return the first line of compiler output that reports an error, without folders."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    errors = [line for line in lines if re.search(r"\berror\b|undefined", line)]
    line = (errors or lines or ["nothing"])[0]
    return re.sub(r"(?:/[^\s/:]+)+/", "", line)
