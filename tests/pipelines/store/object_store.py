"""An object store that speaks enough of S3's protocol for the tests: it keeps objects in memory and counts requests.

What it answers follows Amazon's Simple Storage Service API reference (2006-03-01): objects with ranges and conditions,
listings in pages, uploads in parts, deletion of many. It trusts everybody, and listens on this machine alone. It is a
process of its own, as whoever asks holds Python's lock while it waits.

Run by itself: python object_store.py BUCKET...; it says its port.
"""

import json
import re
import subprocess
import sys
import threading
import urllib.request
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from email.utils import formatdate
from hashlib import md5
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import ClassVar
from urllib.parse import parse_qs, quote, unquote, urlsplit
from xml.sax.saxutils import escape, unescape

PAGE = 20  # names in a listing, so that a table of few files has more than one page
SECRET = "a-word-that-no-line-may-show"  # noqa: S105


@dataclass(frozen=True)
class ObjectStore:
    """One that runs at a port of this machine."""

    port: int
    process: "subprocess.Popen[str]"

    @property
    def environment(self) -> dict[str, str]:
        """What names it, and somebody who may use it, to whoever reads the environment."""
        return {
            "AWS_ENDPOINT_URL": f"http://127.0.0.1:{self.port}",
            "AWS_ALLOW_HTTP": "true",
            "AWS_REGION": "none",
            "AWS_ACCESS_KEY_ID": "somebody",
            "AWS_SECRET_ACCESS_KEY": SECRET,
        }

    def names(self) -> list[str]:
        """Of all objects, as `bucket/key`."""
        found: list[str] = json.loads(self._call("GET", "/-/objects"))
        return found

    def asked(self) -> dict[str, int]:
        """How often each method was used since this was asked last."""
        found: dict[str, int] = json.loads(self._call("GET", "/-/asked"))
        return found

    def delete(self, name: str) -> None:
        """Take an object away."""
        self._call("DELETE", f"/{quote(name)}")

    def put(self, name: str, content: bytes) -> None:
        """Lay an object there, over one of its name."""
        self._call("PUT", f"/{quote(name)}", content)

    def end(self) -> None:
        """Answer nobody any more."""
        self.process.kill()
        self.process.wait()

    def _call(self, method: str, path: str, body: bytes | None = None) -> bytes:
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}{path}", body, method=method)
        with urllib.request.urlopen(request, timeout=10) as answer:  # noqa: S310 - this machine's own
            content: bytes = answer.read()
            return content


@contextmanager
def object_store(*buckets: str) -> Iterator[ObjectStore]:
    """One that runs until the block is left."""
    with subprocess.Popen([sys.executable, "-P", __file__, *buckets], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout
        try:
            yield ObjectStore(int(process.stdout.readline()), process)
        finally:
            process.terminate()


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    wbufsize = -1  # an answer goes out at once: in two pieces the second waits for the first to be acknowledged
    buckets: frozenset[str]
    objects: ClassVar[dict[str, bytes]] = {}
    uploads: ClassVar[dict[str, dict[int, bytes]]] = {}
    counts: ClassVar[Counter[str]] = Counter()
    guard = threading.Lock()

    def log_message(self, *_: object) -> None:
        """Nothing is printed."""

    def _asked(self) -> tuple[str, str, dict[str, str]]:
        """Bucket, key and parameters of a request, which is counted."""
        url = urlsplit(self.path)
        bucket, _, key = unquote(url.path).lstrip("/").partition("/")
        self.counts[self.command] += bucket != "-"
        asked = {name: values[0] for name, values in parse_qs(url.query, keep_blank_values=True).items()}
        return bucket, key, asked

    def _body(self) -> bytes:
        return self.rfile.read(int(self.headers.get("content-length", 0)))

    def _answer(self, status: int, body: bytes = b"", headers: dict[str, str] | None = None) -> None:
        self.send_response(status)
        for name, value in {"content-length": str(len(body)), **(headers or {})}.items():
            self.send_header(name, value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def _refuse(self, status: int, code: str) -> None:
        self._answer(status, f"<Error><Code>{code}</Code><Message>{code}</Message></Error>".encode())

    def do_GET(self) -> None:
        """A listing, or an object or a range of one."""
        bucket, key, asked = self._asked()
        if bucket == "-":
            self._tell(key)
        elif bucket not in self.buckets:
            self._refuse(404, "NoSuchBucket")
        elif "list-type" in asked:
            self._list(bucket, asked)
        else:
            self._give(f"{bucket}/{key}")

    do_HEAD = do_GET  # noqa: N815

    def _tell(self, what: str) -> None:
        """What the test wants to know."""
        self._answer(200, json.dumps(sorted(self.objects) if what == "objects" else self.counts).encode())
        if what == "asked":
            self.counts.clear()

    def _give(self, name: str) -> None:
        content = self.objects.get(name)
        if content is None:
            self._refuse(404, "NoSuchKey")
            return
        headers = {"etag": _etag(content), "last-modified": formatdate(0, usegmt=True)}
        wanted = re.fullmatch(r"bytes=(\d*)-(\d*)", self.headers.get("range", ""))
        if not wanted:
            headers |= {"content-length": str(len(content))}
            self._answer(200, content, headers)
            return
        begin = int(wanted[1]) if wanted[1] else len(content) - int(wanted[2])
        end = min(int(wanted[2]) + 1 if wanted[1] and wanted[2] else len(content), len(content))
        headers |= {"content-range": f"bytes {begin}-{end - 1}/{len(content)}"}
        self._answer(206, content[begin:end], headers)

    def _list(self, bucket: str, asked: dict[str, str]) -> None:
        prefix, delimiter = asked.get("prefix", ""), asked.get("delimiter", "")
        after = asked.get("continuation-token") or asked.get("start-after", "")
        with self.guard:
            objects = {name.partition("/")[2]: content for name, content in self.objects.items()
                       if name.startswith(f"{bucket}/{prefix}")}  # fmt: skip
        entries: dict[str, str] = {}
        for key, content in sorted(objects.items()):
            below, cut, _ = key[len(prefix) :].partition(delimiter) if delimiter else (key, "", "")
            if cut:
                folder = f"{prefix}{below}{delimiter}"
                entries[folder] = f"<CommonPrefixes><Prefix>{escape(folder)}</Prefix></CommonPrefixes>"
            else:
                entries[key] = (
                    f"<Contents><Key>{escape(key)}</Key><LastModified>1970-01-01T00:00:00.000Z</LastModified>"
                    f"<ETag>{escape(_etag(content))}</ETag><Size>{len(content)}</Size></Contents>"
                )
        left = [name for name in entries if name > after]
        more = len(left) > PAGE
        token = f"<NextContinuationToken>{escape(left[PAGE - 1])}</NextContinuationToken>" if more else ""
        body = "".join(entries[name] for name in left[:PAGE])
        self._answer(
            200,
            f"<ListBucketResult><Name>{bucket}</Name><KeyCount>{len(left[:PAGE])}</KeyCount>"
            f"<IsTruncated>{str(more).lower()}</IsTruncated>{token}{body}</ListBucketResult>".encode(),
        )

    def do_PUT(self) -> None:
        """An object, a part of one, or a copy of another."""
        bucket, key, asked = self._asked()
        body, name = self._body(), f"{bucket}/{key}"
        if bucket not in self.buckets:
            self._refuse(404, "NoSuchBucket")
            return
        with self.guard:
            there = self.objects.get(name)
            unless, only = self.headers.get("if-none-match"), self.headers.get("if-match")
            if (unless and there is not None) or (only and (there is None or _etag(there) != only)):
                refused = True
            else:
                refused = False
                if "uploadId" in asked:
                    self.uploads[asked["uploadId"]][int(asked["partNumber"])] = body
                else:
                    source = self.headers.get("x-amz-copy-source")
                    self.objects[name] = self.objects[unquote(source).lstrip("/")] if source else body
        if refused:
            self._refuse(412, "PreconditionFailed")
        else:
            self._answer(200, headers={"etag": _etag(body)})

    def do_POST(self) -> None:
        """Begin or end an upload in parts, or delete many objects."""
        bucket, key, asked = self._asked()
        body = self._body()
        if "uploads" in asked:
            upload = f"upload-{len(self.uploads)}"
            self.uploads[upload] = {}
            self._answer(200, f"<R><UploadId>{upload}</UploadId></R>".encode())
        elif "uploadId" in asked:
            parts = self.uploads.pop(asked["uploadId"])
            self.objects[f"{bucket}/{key}"] = b"".join(parts[number] for number in sorted(parts))
            self._answer(200, b"<R><ETag>whole</ETag></R>")
        else:
            found = re.findall(r"<Key>(.*?)</Key>", body.decode())
            for each in found:
                self.objects.pop(f"{bucket}/{unescape(each)}", None)
            gone = "".join(f"<Deleted><Key>{each}</Key></Deleted>" for each in found)
            self._answer(200, f"<DeleteResult>{gone}</DeleteResult>".encode())

    def do_DELETE(self) -> None:
        """An object."""
        bucket, key, _ = self._asked()
        self.objects.pop(f"{bucket}/{key}", None)
        self._answer(204)


def _etag(content: bytes) -> str:
    return f'"{md5(content, usedforsecurity=False).hexdigest()}"'


if __name__ == "__main__":
    _Handler.buckets = frozenset(sys.argv[1:])
    with ThreadingHTTPServer(("127.0.0.1", 0), _Handler) as server:
        server.daemon_threads = True
        print(server.server_address[1], flush=True)  # noqa: T201
        server.serve_forever()
