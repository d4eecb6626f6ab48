"""Frames into files that an editor imports: ProRes 4444 with alpha, or numbered PNG."""

import shutil
import subprocess
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import IO

from perfkit.errors import MissingExtra, PerfkitError
from perfkit.show.motion import RATE, Pixels
from perfkit.show.png import png_bytes

_PRORES = ["-c:v", "prores_ks", "-profile:v", "4444", "-pix_fmt", "yuva444p10le"]
_PRORES += ["-alpha_bits", "16", "-qscale:v", "16", "-vendor", "apl0"]
_SAME_BYTES = ["-map_metadata", "-1", "-fflags", "+bitexact", "-flags:v", "+bitexact"]
_COLOUR = ["-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709"]


def find_encoder() -> str:
    """Find ffmpeg: the one on the path, else the one that the extra `video` brings along.

    Returns
    -------
    str
        Path of the program.

    Raises
    ------
    MissingExtra
        There is neither.
    """
    found = shutil.which("ffmpeg")
    if found:
        return found
    try:
        import imageio_ffmpeg
    except ModuleNotFoundError:
        raise MissingExtra(
            "clips need an encoder: install ffmpeg or the extra `video`: pip install perfkit[video]"
        ) from None
    return str(imageio_ffmpeg.get_ffmpeg_exe())


def write_mov(path: Path, runs: Iterable[tuple[Pixels, int]], width: int, height: int) -> None:
    """Encode frames as ProRes 4444 with their alpha.

    The same frames give the same bytes with one build of the encoder.

    Parameters
    ----------
    path : Path
        Ends in ``.mov``; removed again if the encoder fails.
    runs : iterable of (ndarray, int)
        Frames with straight alpha, and how often each is shown.
    width, height : int
        Pixels.

    Raises
    ------
    MissingExtra
        No encoder.
    PerfkitError
        The encoder failed; the message ends with its own last words.
    """
    size = ["-s", f"{width}x{height}", "-r", str(RATE)]
    source = ["-f", "rawvideo", "-pix_fmt", "rgba", *size, "-i", "pipe:0"]
    to_709 = ["-vf", "scale=out_color_matrix=bt709:out_range=tv"]
    command = [find_encoder(), "-v", "error", "-nostdin", "-y", *source, *to_709]
    command += [*_PRORES, *_COLOUR, *_SAME_BYTES, str(path)]
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=said)
        assert process.stdin
        try:
            _feed(process.stdin, runs)
        except BaseException:
            process.kill()
            process.wait()
            path.unlink(missing_ok=True)
            raise
        if process.wait():
            path.unlink(missing_ok=True)
            said.seek(0)
            words = said.read().decode(errors="replace").strip().splitlines() or ["no message"]
            raise PerfkitError(f"the encoder failed on {path.name}: {words[-1]}")


def _feed(pipe: IO[bytes], runs: Iterable[tuple[Pixels, int]]) -> None:
    try:
        for frame, times in runs:
            for _ in range(times):
                pipe.write(frame.data)
        pipe.close()
    except BrokenPipeError:
        return


def write_sequence(folder: Path, runs: Iterable[tuple[Pixels, int]]) -> int:
    """Write frames as ``00000.png`` and so on.

    Parameters
    ----------
    folder : Path
        Made if it is missing.
    runs : iterable of (ndarray, int)
        Frames with straight alpha, and how often each is shown.

    Returns
    -------
    int
        How many files were written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    count = 0
    for frame, times in runs:
        encoded = png_bytes(frame)
        for _ in range(times):
            (folder / f"{count:05d}.png").write_bytes(encoded)
            count += 1
    return count
