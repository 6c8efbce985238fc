"""A bare pynetdicom receiver: writes each image to a file, syncs nothing, checks nothing."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from pynetdicom import AE, AllStoragePresentationContexts, evt
from pynetdicom.sop_class import Verification

MAX_PDU_BYTES = 131_072


def main(port: int, folder: Path) -> None:
    """Receive on a loopback port until killed."""

    def store(event: Any) -> int:
        name = f"{event.request.AffectedSOPInstanceUID}.dcm"
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
    main(int(sys.argv[1]), Path(sys.argv[2]))
