"""A client in another language, written against the contract alone.

Generates its code from the files under proto/, starts a server, uploads a nominal, a plan and a scan,
asks for an inspection, waits, and reads the verdict.

    python client.py PATH-OF-SCANTLING
"""

import hashlib
import importlib
import pathlib
import subprocess
import sys
import tempfile
import time
import uuid

import grpc
from grpc_tools import protoc

PROTO = pathlib.Path(__file__).resolve().parents[2] / "proto" / "proto"
CHUNK = 256 * 1024


def generate(into: pathlib.Path) -> None:
    files = sorted(str(p.relative_to(PROTO)) for p in PROTO.rglob("*.proto"))
    well_known = pathlib.Path(protoc.__file__).parent / "_proto"
    status = protoc.main(
        ["protoc", f"-I{PROTO}", f"-I{well_known}", f"--python_out={into}", f"--grpc_python_out={into}", *files]
    )
    assert status == 0, "protoc refuses the contract"
    sys.path.insert(0, str(into))


def start_server(program: str, data: pathlib.Path):
    process = subprocess.Popen(
        [program, "serve", "--listen", "127.0.0.1:0", "--data-dir", str(data)],
        stdout=subprocess.PIPE,
        text=True,
    )
    line = process.stdout.readline().strip()
    address = line.rsplit(" ", 1)[-1].removeprefix("http://")
    assert ":" in address, f"the server did not say where it listens: {line!r}"
    return process, address


class Client:
    def __init__(self, address: str):
        self.channel = grpc.insecure_channel(address)
        grpc.channel_ready_future(self.channel).result(timeout=20)
        names = ["part", "blob", "acquisition", "inspection", "evaluation", "plan"]
        self.pb = {n: importlib.import_module(f"scantling.v1.{n}_pb2") for n in names}
        rpc = {n: importlib.import_module(f"scantling.v1.{n}_pb2_grpc") for n in names[:4]}
        self.parts = rpc["part"].PartServiceStub(self.channel)
        self.blobs = rpc["blob"].BlobServiceStub(self.channel)
        self.acquisitions = rpc["acquisition"].AcquisitionServiceStub(self.channel)
        self.inspections = rpc["inspection"].InspectionServiceStub(self.channel)

    def upload(self, content: bytes) -> str:
        pb = self.pb["blob"]
        digest = hashlib.sha256(content).hexdigest()
        upload = self.blobs.CreateUpload(pb.CreateUploadRequest(sha256=digest, size_bytes=len(content)))
        if not upload.HasField("blob"):

            def messages():
                start = pb.WriteBlobStart(upload=upload.name, offset_bytes=upload.offset_bytes)
                yield pb.WriteBlobRequest(start=start)
                for at in range(upload.offset_bytes, len(content), CHUNK):
                    yield pb.WriteBlobRequest(chunk=content[at : at + CHUNK])

            upload = self.blobs.WriteBlob(messages())
        assert upload.blob == f"blobs/{digest}"
        return upload.blob


def main(program: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        code = folder / "code"
        code.mkdir()
        generate(code)
        files = folder / "demo"
        subprocess.run(
            [program, "demo", "--keep", str(files), "--quiet"], check=True, stdout=subprocess.DEVNULL
        )
        process, address = start_server(program, folder / "data")
        try:
            story(Client(address), files)
        finally:
            process.terminate()
            assert process.wait(timeout=30) == 0, "the server did not stop cleanly"
    print("1 passed, 0 failed")


def story(client: Client, files: pathlib.Path) -> None:
    part, inspection = client.pb["part"], client.pb["inspection"]
    nominal = client.upload((files / "ws-214.stl").read_bytes())
    client.parts.CreatePart(part.CreatePartRequest(part_id="ws-214", part=part.Part(title="Window surround")))
    revision = client.parts.CreateRevision(
        part.CreateRevisionRequest(
            parent="parts/ws-214",
            revision_id="c-4",
            revision=part.Revision(
                plan_source=(files / "ws-214.toml").read_text(),
                nominal_blob=nominal,
                nominal_length_unit=part.LENGTH_UNIT_MILLIMETRE,
            ),
        )
    )
    client.parts.ReleaseRevision(part.ReleaseRevisionRequest(name=revision.name))

    expected = {"good": "VERDICT_CONFORMS", "bad": "VERDICT_DOES_NOT_CONFORM"}
    for which, verdict in expected.items():
        scan = client.upload((files / f"{which}.ply").read_bytes())
        acquisition = client.acquisitions.CreateAcquisition(
            client.pb["acquisition"].CreateAcquisitionRequest(
                acquisition=client.pb["acquisition"].Acquisition(
                    blob=scan,
                    length_unit=part.LENGTH_UNIT_MILLIMETRE,
                    simulated=True,
                )
            )
        )
        request = inspection.CreateInspectionRequest(
            request_id=str(uuid.uuid4()),
            inspection=inspection.Inspection(
                revision=revision.name,
                serial_number=which,
                sources=[inspection.Source(acquisition=acquisition.name)],
                purpose=inspection.PURPOSE_REHEARSAL,
            ),
        )
        first = client.inspections.CreateInspection(request)
        again = client.inspections.CreateInspection(request)
        assert first.name == again.name, "the same request must be one inspection"
        wait = inspection.WaitInspectionRequest(name=first.name)
        wait.wait_timeout.FromSeconds(20)
        deadline = time.monotonic() + 120
        done = client.inspections.WaitInspection(wait)
        while done.state < inspection.INSPECTION_STATE_DONE and time.monotonic() < deadline:
            done = client.inspections.WaitInspection(wait)
        assert done.state == inspection.INSPECTION_STATE_DONE, done.reason
        name = client.pb["evaluation"].Verdict.Name(done.verdict)
        assert name == verdict, f"{which}: {name}, {done.reason}"
        assert hashlib.sha256(done.result_json.encode()).hexdigest() == done.result_sha256
        assert len(done.evaluations) >= 12
        report = b"".join(
            m.chunk for m in client.blobs.ReadBlob(client.pb["blob"].ReadBlobRequest(name=done.report_blob))
        )
        assert report.lower().startswith(b"<!doctype html>")
        print(f"{which}: {name} ({done.reason})")

    try:
        client.inspections.GetInspection(inspection.GetInspectionRequest(name="inspections/none"))
        raise AssertionError("an inspection that is not there was answered")
    except grpc.RpcError as error:
        assert error.code() == grpc.StatusCode.NOT_FOUND, error

    watched = client.inspections.WatchInspections(inspection.WatchInspectionsRequest(after_sequence=0), timeout=10)
    sequences = [next(watched).sequence, next(watched).sequence]
    watched.cancel()
    assert sequences == sorted(sequences) and len(set(sequences)) == 2


if __name__ == "__main__":
    main(sys.argv[1])
