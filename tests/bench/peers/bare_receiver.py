"""A bare pynetdicom receiver: writes each image to a file, syncs nothing, checks nothing.

``whole``: each data set is gathered in memory and then written. ``chunked``: its pieces go to a
temporary file as they come (pynetdicom's STORE_RECV_CHUNKED_DATASET), which gets its name then.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

from pynetdicom import AE, AllStoragePresentationContexts, _config, evt
from pynetdicom.sop_class import Verification

MAX_PDU_BYTES = 131_072


def main(port: int, folder: Path, way: str) -> None:
    """Receive on a loopback port until killed."""
    _config.STORE_RECV_CHUNKED_DATASET = way == "chunked"
    # Beside the folder: a rename must not copy.
    tempfile.tempdir = str(folder.parent)

    def store(event: Any) -> int:
        name = f"{event.request.AffectedSOPInstanceUID}.dcm"
        if way == "chunked":
            Path(event.dataset_path).rename(folder / name)
            return 0x0000
        with (folder / name).open("wb") as file:
            file.write(event.encoded_dataset())
        return 0x0000

    entity = AE(ae_title="GOMPHOSIS")
    entity.maximum_pdu_size = MAX_PDU_BYTES
    entity.maximum_associations = 32
    entity.supported_contexts = AllStoragePresentationContexts
    entity.add_supported_context(Verification)
    handlers = [(evt.EVT_C_STORE, store)]
    entity.start_server(("127.0.0.1", port), block=True, evt_handlers=handlers)


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]), sys.argv[3])
