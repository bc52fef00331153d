"""Arrays to files, one signal after another, so that a long recording is never held twice."""

import zipfile

import numpy as np

# Equal recordings give equal files: the archive carries no clock.
_NO_DATE = (1980, 1, 1, 0, 0, 0)
_CSV_ROWS = 2048


def write_npz(path, named):
    """(path, iterable of (name, array)) => None. An .npz that numpy.load reads; numeric arrays only, not compressed."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
        for name, array in named:
            array = np.ascontiguousarray(array)
            if array.dtype.hasobject:
                raise TypeError(f"{name}: arrays of a recording are numeric, never objects.")
            with archive.open(zipfile.ZipInfo(f"{name}.npy", _NO_DATE), "w", force_zip64=True) as member:
                np.lib.format.write_array(member, array, allow_pickle=False)


def write_csv(path, named):
    """(path, iterable of (name, array (rows,))) => None. A header of names, then a line a row; nine digits."""
    names, columns = zip(*named, strict=True)
    with open(path, "w", encoding="ascii", newline="\n") as file:
        file.write(",".join(names) + "\n")
        for begin in range(0, len(columns[0]), _CSV_ROWS):
            block = np.column_stack([column[begin : begin + _CSV_ROWS] for column in columns])
            np.savetxt(file, block, fmt="%.9g", delimiter=",")
