"""Field: objects, tiles, masks; nothing but this session's photos."""

import io

import numpy as np
import pytest
from PIL import Image

from sporecount.files.decode import decode
from sporecount.page.opened import photo_id
from sporecount.reasons import REASONS
from sporecount.records import Scale
from sporecount.session.tiles import TILE_PX, TileJob, cut, write_tiles
from tests.session_folder import drawn_photo, jpeg

AT = photo_id("FH-01_1.jpg")


def test_the_page_names_field_count_and_neighbours(client):
    text = client.get(f"/field/{AT}").text
    assert "FH-01" in text
    assert REASONS["ambiguous-objects"].words in text
    assert f"/field/{photo_id('FH-01_2.jpg')}" in text


def test_objects_are_those_of_the_field(client):
    field = client.desk.field(AT)
    said = client.get(f"/photo/{AT}/objects.json").json()
    assert said["objects"]["x"] == pytest.approx(field.objects.x_px.tolist(), abs=0.01)
    assert said["objects"]["p"] == pytest.approx(field.kinds.spore.tolist(), abs=1e-4)
    assert said["objects"]["counted"] == field.counted.tolist()
    assert (said["width"], said["height"], said["um_per_px"]) == (900, 700, 1.0)


def test_tiles_hold_the_photo_at_every_level(client):
    about = client.get(f"/photo/{AT}/photo/about.json").json()
    assert (about["width"], about["height"], about["levels"]) == (900, 700, 2)
    photo = decode((client.desk.folder / "FH-01_1.jpg").read_bytes(), "a").rgb
    tile = client.get(f"/tiles/{about['set']}/0/1_1.jpg")
    assert tile.headers["content-type"] == "image/jpeg"
    rgb = np.asarray(Image.open(io.BytesIO(tile.content)))
    part = photo[TILE_PX:, TILE_PX:]
    assert rgb.shape == part.shape
    assert np.abs(rgb.astype(int) - part).mean() < 3  # of 255: the loss of one more JPEG
    assert client.get(f"/tiles/{about['set']}/1/0_0.jpg").status_code == 200


def test_the_density_is_shown_where_it_lies(client):
    about = client.get(f"/photo/{AT}/density/about.json").json()
    field = client.desk.field(AT)
    # the layer covers the round view; its scale is that of the working grid
    for at, size, middle in (
        ("left", "width", field.view.center_x_px),
        ("top", "height", field.view.center_y_px),
    ):
        assert about[at] + about[size] / about["zoom"] / 2 == pytest.approx(middle, abs=12)


@pytest.mark.parametrize(
    "address",
    [
        f"/photo/{AT}/elsewhere/about.json",
        f"/photo/{'0' * 16}/photo/about.json",
        f"/photo/{'0' * 16}/objects.json",
        f"/field/{'0' * 16}",
        "/field/..%2f..%2fetc%2fpasswd",
        "/tiles/none/0/0_0.jpg",
        "/tiles/..%2f..%2f/0/0_0.jpg",
        "/tiles/../../0/0_0.jpg",
        "/tiles/x/0/-1_0.jpg",
    ],
)
def test_what_is_not_of_this_session_is_not_there(client, address):
    assert client.get(address).status_code == 404


def test_a_photo_that_leads_out_of_the_folder_is_not_served(client, tmp_path):
    secret = tmp_path / "elsewhere.jpg"
    secret.write_bytes(jpeg(drawn_photo(1)))
    photo = client.desk.folder / "FH-01_1.jpg"
    photo.unlink()
    photo.symlink_to(secret)
    answer = client.get(f"/photo/{AT}/photo/about.json")
    assert answer.status_code == 404
    assert "not in the session" in answer.json()["error"]["words"]


def test_a_photo_that_broke_since_is_named_with_the_reason(client):
    photo = client.desk.folder / "FH-01_1.jpg"
    photo.write_bytes(photo.read_bytes()[:4000])
    answer = client.get(f"/photo/{AT}/photo/about.json")
    assert answer.status_code == 400
    assert "cut short" in answer.json()["error"]["words"]


def test_masks_mark_what_was_left_out(client):
    mask = Image.open(io.BytesIO(client.get(f"/photo/{AT}/mask-left-out.png").content))
    left_out = client.desk.preview(AT).left_out
    assert mask.mode == "LA"
    assert np.array_equal(np.asarray(mask)[..., 1] > 0, (left_out > 0) & (left_out < 255))
    shares = client.get(f"/photo/{AT}/left-out.json").json()
    assert set(shares) <= {"bubble", "ridge", "fibre", "edge", "line", "dark", "glare"}
    assert 0 < sum(shares.values()) < 1


def test_the_whole_photo_is_given_reduced(client):
    picture = Image.open(io.BytesIO(client.get(f"/photo/{AT}/whole.jpg").content))
    assert picture.size == (900, 700)


@pytest.mark.parametrize("size", [(1, 1), (512, 512), (513, 700), (1025, 2049)])
def test_tiles_cover_pictures_of_any_size(tmp_path, size):
    width, height = size
    rgb = np.zeros((height, width, 3), np.uint8)
    levels = write_tiles(rgb, tmp_path)
    for level in range(levels):
        across, down = -(-width // 2**level), -(-height // 2**level)
        tiles = [Image.open(io.BytesIO(path.read_bytes())).size for path in (tmp_path / f"{level}").iterdir()]
        assert sum(w * h for w, h in tiles) == across * down
    assert max(across, down) <= TILE_PX


def test_a_set_of_tiles_appears_whole(tmp_path):
    photo = decode(jpeg(drawn_photo(1)), "a.jpg")
    cut(photo, TileJob("", "a.jpg", str(tmp_path / "set"), "photo", Scale(1.0)))
    assert [path.name for path in tmp_path.iterdir()] == ["set"]
    assert (tmp_path / "set" / "about.json").is_file()
