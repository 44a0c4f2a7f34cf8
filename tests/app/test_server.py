"""Who may speak to the page, what may be sent to it, and what it hands out."""

import io
import json
import os
import socket
import stat
import threading
import urllib.error
import urllib.request

import numpy as np
import pytest
from report.made_up import dome

from occlusim.app import server as server_module
from occlusim.app import uploads
from occlusim.app.english import WORDS
from occlusim.app.jobs import Runs
from occlusim.app.previews import MAX_DRAWN_FACES, read_preview
from occlusim.app.server import RUNNING_FILE, make_page
from occlusim.app.uploads import receive
from occlusim.errors import InputError
from occlusim.files.mesh_files import read_mesh, write_stl
from occlusim.geometry.mesh import TriangleMesh

PORT = 8123


@pytest.fixture
def page(tmp_path):
    made = make_page(tmp_path / "cases", PORT, lambda store: Runs(store, slots=1))
    yield made
    made.runs.close()


@pytest.fixture
def client(page):
    return page.wsgi.test_client()


def path_of(page, rest=""):
    return "/" + page.url.split("/", 3)[3] + rest


def get(client, path, host=f"127.0.0.1:{PORT}", method="GET", **headers):
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    return client.open(path, method=method, headers={"Host": host, **sent}, buffered=True)


def stl(tmp_path, mesh=None):
    path = tmp_path / "given.stl"
    write_stl(path, mesh or dome(8))
    return path.read_bytes()


def put(client, page, role, name, data, case="molar"):
    return client.put(
        path_of(page, f"case/{case}/upload/{role}"),
        query_string={"name": name},
        data=data,
        headers={"Host": f"127.0.0.1:{PORT}"},
    )


def test_the_page_answers_at_its_own_address_only(client, page):
    assert get(client, path_of(page)).status_code == 200
    assert get(client, path_of(page), host=f"localhost:{PORT}").status_code == 200
    for path in ("/", "/wrong/", path_of(page)[:-2] + "/", "/alive", "/_dash-layout", "//", ""):
        refused = get(client, path)
        assert refused.status_code == 403, path
        assert WORDS["no_token"] in refused.text


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        f"evil.example:{PORT}",
        "127.0.0.1",
        "127.0.0.1:1",
        f"127.0.0.1.nip.io:{PORT}",
    ],
)
def test_a_foreign_name_for_this_machine_is_refused(client, page, host):
    assert get(client, path_of(page), host=host).status_code == 403


@pytest.mark.parametrize("path", ["", "_dash-layout", "_dash-update-component", "alive"])
def test_every_path_is_guarded_against_other_origins(client, page, path):
    for origin in ("https://evil.example", "null", f"http://127.0.0.1:{PORT + 1}"):
        assert get(client, path_of(page, path), Origin=origin).status_code == 403
        assert get(client, path_of(page, path), method="POST", Origin=origin).status_code == 403
    refused = get(client, path_of(page, path), method="POST", Sec_Fetch_Site="cross-site")
    assert refused.status_code == 403


def test_nothing_is_shared_with_other_origins_nor_fetched_from_elsewhere(client, page):
    for path in ("", "_dash-layout", "_dash-dependencies"):
        headers = get(client, path_of(page, path)).headers
        assert not [name for name, _ in headers if name.lower().startswith("access-control")]
        assert "default-src 'self'" in headers["Content-Security-Policy"]
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["Cache-Control"] == "no-store"
    html = get(client, path_of(page)).text
    assert "http://" not in html.replace(page.url, "").replace("http://www.w3.org", "")
    assert "https://" not in html


def test_two_pages_have_different_words(tmp_path):
    urls = {make_page(tmp_path / "cases", PORT).url for _ in range(3)}
    assert len(urls) == 3
    assert all(len(url.split("/")[3]) >= 32 for url in urls)


def test_a_file_that_is_dropped_in_is_kept_checked_and_drawn(client, page, tmp_path):
    case = page.store.create("molar")
    data = stl(tmp_path)
    assert put(client, page, "upper", "My scan.STL", data).json == {"place": "upper"}
    entry = case.draft()["files"]["upper"]
    assert (case.folder / "upper.stl").read_bytes() == data
    assert entry["name"] == "My scan.STL"
    assert entry["inspection"]["n_faces"] == len(dome(8).faces)
    assert put(client, page, "bite", "a.stl", data).json == {"place": "bite-1"}
    assert put(client, page, "bite", "b.stl", data).json == {"place": "bite-2"}
    drawn = read_preview(case, "upper")
    assert len(drawn.faces) == len(dome(8).faces)
    assert not list(case.folder.glob(".upload-*"))


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("scan.zip", b"PK", "Export the mesh as .stl, .ply or .obj"),
        ("scan", b"solid", "Export the mesh as .stl, .ply or .obj"),
        ("bad.stl", b"not a mesh at all" * 20, "bad.stl"),
        ("empty.ply", b"", "empty.ply"),
        ("bad.ply", b"ply\nformat ascii 1.0\nend_header\n", "bad.ply"),
    ],
)
def test_a_bad_file_is_refused_in_words_and_the_earlier_one_stays(
    client, page, tmp_path, name, data, words
):
    case = page.store.create("molar")
    put(client, page, "upper", "good.stl", stl(tmp_path))
    before = case.draft()
    refused = put(client, page, "upper", name, data)
    assert refused.status_code == 422
    assert words in refused.json["words"]
    assert str(case.folder) not in refused.json["words"]
    assert case.draft() == before
    assert sorted(p.name for p in case.folder.iterdir()) == [".preview", "draft.json", "upper.stl"]


@pytest.mark.parametrize("name", ["../../evil.stl", "/etc/evil.stl", "..\\evil.stl", "draft.stl"])
def test_a_file_name_never_becomes_a_path(client, page, tmp_path, name):
    case = page.store.create("molar")
    assert put(client, page, "upper", name, stl(tmp_path)).status_code == 200
    kept = {
        p.relative_to(tmp_path).as_posix() for p in (tmp_path / "cases").rglob("*") if p.is_file()
    }
    assert kept == {
        "cases/molar/draft.json",
        "cases/molar/upper.stl",
        "cases/molar/.preview/upper.npz",
    }
    assert "/" not in case.draft()["files"]["upper"]["name"]


@pytest.mark.parametrize("case", ["..", "%2e%2e", "other", "molar%2f..", "."])
def test_a_case_that_is_not_in_the_list_takes_no_file(client, page, tmp_path, case):
    page.store.create("molar")
    assert put(client, page, "upper", "a.stl", stl(tmp_path), case).status_code in (403, 404, 405)


def test_a_file_over_the_limit_is_refused_before_it_is_read(client, page, tmp_path, monkeypatch):
    monkeypatch.setattr(uploads, "MAX_BYTES", 1000)
    case = page.store.create("molar")
    refused = put(client, page, "upper", "big.stl", stl(tmp_path))
    assert refused.status_code == 422
    assert "too large" in refused.json["words"]
    assert [p.name for p in case.folder.iterdir()] == ["draft.json"]


class Short(io.BytesIO):
    """A stream that gives what it has in small pieces, and says how much was asked at once."""

    most = 0

    def read(self, size=-1):
        self.most = max(self.most, size)
        return super().read(min(size, 1000))


def test_a_file_is_streamed_and_one_that_is_cut_off_is_refused(page, tmp_path):
    case = page.store.create("molar")
    data = stl(tmp_path)
    stream = Short(data)
    assert receive(case, "crown", "a.stl", stream, len(data)) == "crown"
    assert 0 < stream.most <= uploads.CHUNK_BYTES
    with pytest.raises(InputError, match=f"only {len(data)} of {len(data) + 1} bytes"):
        receive(case, "crown", "b.stl", Short(data), len(data) + 1)
    with pytest.raises(InputError, match="how large"):
        receive(case, "crown", "b.stl", Short(data), None)
    assert case.draft()["files"]["crown"]["name"] == "a.stl"


def test_what_is_drawn_is_thinned_but_its_vertices_are_those_of_the_file(page, tmp_path):
    case = page.store.create("molar")
    mesh = dome(130)
    assert len(mesh.faces) > MAX_DRAWN_FACES
    open_mesh = TriangleMesh(mesh.vertices, mesh.faces[mesh.faces.min(axis=1) > 400])
    data = stl(tmp_path, open_mesh)
    receive(case, "upper", "a.stl", io.BytesIO(data), len(data))
    drawn = read_preview(case, "upper")
    full = {tuple(v) for v in read_mesh(case.folder / "upper.stl").mesh.vertices}
    assert len(drawn.faces) <= MAX_DRAWN_FACES
    assert all(tuple(v) in full for v in drawn.vertices)
    ends = drawn.borders[~np.isnan(drawn.borders).any(axis=1)]
    assert len(ends) > 0
    assert all(tuple(v) in full for v in ends)


def test_results_are_handed_out_by_name_from_a_list(client, page):
    case = page.store.create("molar")
    (case.folder / "out").mkdir()
    (case.folder / "out" / "crown_adjusted.stl").write_bytes(b"stl")
    (case.folder / "out" / "other.txt").write_bytes(b"x")
    found = get(client, path_of(page, "case/molar/file/crown_adjusted.stl"))
    assert found.data == b"stl"
    assert "molar-crown_adjusted.stl" in found.headers["Content-Disposition"]
    for name in ("other.txt", "draft.json", "../draft.json", "..%2fdraft.json", "spots.csv"):
        found = get(client, path_of(page, f"case/molar/file/{name}"))
        is_page = found.status_code == 200 and found.text.startswith("<!DOCTYPE html>")
        assert found.status_code == 404 or is_page, name
    assert get(client, path_of(page, "case/none/file/spots.csv")).status_code == 404


def test_the_report_is_shown_without_an_origin(client, page):
    case = page.store.create("molar")
    assert get(client, path_of(page, "case/molar/report")).status_code == 404
    (case.folder / "out").mkdir()
    (case.folder / "out" / "report.html").write_text("<p>x</p>", encoding="utf-8")
    shown = get(client, path_of(page, "case/molar/report"))
    policy = shown.headers["Content-Security-Policy"]
    assert policy.startswith("sandbox allow-scripts")
    assert "allow-same-origin" not in policy
    assert "default-src 'none'" in policy


def test_the_server_listens_on_the_loopback_address_alone(tmp_path, monkeypatch):
    """The whole of `serve`, in a thread, ended as by Ctrl-C."""
    bound, said = [], []
    real = server_module.make_server

    def make(host, port, *args, **more):
        made = real(host, port, *args, **more)
        bound.append(made)
        return made

    monkeypatch.setattr(server_module, "make_server", make)
    monkeypatch.setattr(server_module.signal, "signal", lambda *_: None)
    folder = tmp_path / "cases"
    thread = threading.Thread(
        target=server_module.serve, args=(folder, 0), kwargs={"browser": False, "say": said.append}
    )
    thread.start()
    while len(said) < 3:
        thread.join(0.05)
        assert thread.is_alive()
    address, _port = bound[0].socket.getsockname()
    assert (address, bound[0].socket.family) == ("127.0.0.1", socket.AF_INET)
    url = json.loads((folder / RUNNING_FILE).read_text(encoding="utf-8"))["url"]
    assert f"open {url}" in said
    if os.name == "posix":
        assert stat.S_IMODE((folder / RUNNING_FILE).stat().st_mode) == 0o600
    with urllib.request.urlopen(url + "alive", timeout=10) as answer:
        assert answer.read() == b"occlusim"
    with pytest.raises(urllib.error.HTTPError, match="403") as refused:
        urllib.request.urlopen(url.rsplit("/", 2)[0] + "/other/", timeout=10)
    refused.value.close()
    again = []
    server_module.serve(folder, 0, browser=False, say=again.append)
    assert again == [f"already running for this folder: {url}"]
    bound[0].shutdown()
    thread.join(10)
    assert not (folder / RUNNING_FILE).exists()


def test_a_port_that_is_taken_is_named(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(InputError, match="leave it out to take a free one"):
            server_module.serve(
                tmp_path / "cases", taken.getsockname()[1], browser=False, say=lambda _: None
            )


def test_the_page_is_opened_without_its_address_in_a_command_line(monkeypatch, tmp_path):
    opened = []
    monkeypatch.setattr(server_module.webbrowser, "open", opened.append)
    monkeypatch.setattr(server_module.tempfile, "tempdir", str(tmp_path))
    server_module._open("http://127.0.0.1:1/secret/")
    assert "secret" not in opened[0]
    (file,) = tmp_path.rglob("open.html")
    assert "secret" in file.read_text(encoding="utf-8")


def test_the_page_is_made_of_parts_that_the_library_accepts(client, page):
    layout = get(client, path_of(page, "_dash-layout")).json
    assert layout["type"] == "Div"
    names = {part["output"] for part in get(client, path_of(page, "_dash-dependencies")).json}
    assert len(names) > 10
