"""The map in a browser: opens on the road, reached by pointer, finger and keys, whole on paper."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from roadlog.analysis.result import Analysed
from roadlog.report.map import map_page
from roadlog.road.network import Network
from tests.browser.screen import WIDTHS, Screen
from tests.report.conftest import Change

Written = Callable[[str], Path]


def opened(screen: Screen, written: Written, width: int = 1280) -> Screen:
    screen.look(width)
    screen.open(written("map"))
    return screen


def box_of(screen: Screen, selector: str) -> dict[str, float]:
    box = screen.page.locator(selector).first.bounding_box()
    assert box is not None, selector
    return dict(box)


def road_in_view(screen: Screen) -> bool:
    """Whether the window of the map holds every segment's whole line."""
    script = """() => {
      const view = road.map.getBounds(), layers = Object.values(road.map._layers);
      const lines = layers.filter(l => l instanceof L.Polyline);
      return lines.length > 30 && lines.every(l => view.contains(l.getBounds()));
    }"""
    return bool(screen.page.evaluate(script))


def test_it_opens_on_the_road_at_every_width(screen: Screen, written: Written) -> None:
    for width in WIDTHS:
        opened(screen, written, width)
        assert road_in_view(screen), width


def test_it_opens_on_the_road_inside_what_was_folded(
    screen: Screen, written: Written, tmp_path: Path
) -> None:
    text = written("map").read_text(encoding="utf-8")
    head, body = text.split('<div class="road" data-road', 1)
    folded = tmp_path / "folded.html"
    body = body.replace("<script>", "</details><script>", 1)
    folded.write_text(f'{head}<details><summary>map</summary><div class="road" data-road{body}')
    screen.look(390)
    screen.open(folded)
    screen.page.click("summary")
    screen.page.wait_for_timeout(150)
    assert road_in_view(screen)
    assert screen.said == []


def test_its_buttons_are_plain_named_large_and_work_by_key(
    screen: Screen, written: Written
) -> None:
    opened(screen, written, 390)
    zoom = "road.map.getZoom()"
    start = screen.page.evaluate(zoom)
    for button in screen.page.locator(".road button:visible").all():
        assert button.inner_text().strip()
        assert min(button.bounding_box()["width"], button.bounding_box()["height"]) >= 44
    screen.page.get_by_role("button", name="Closer").focus()
    screen.page.keyboard.press("Enter")
    screen.until(f"{zoom} > {start} + .9")
    assert not road_in_view(screen)
    screen.page.get_by_role("button", name="Whole road").focus()
    screen.page.keyboard.press("Enter")
    screen.until(f"Math.abs({zoom} - {start}) < .01")
    assert road_in_view(screen)
    assert screen.page.locator(".leaflet-control-zoom, .leaflet-control-layers").count() == 0


def test_layers_are_switched_by_boxes_with_names(screen: Screen, written: Written) -> None:
    opened(screen, written)
    lines = "Object.values(road.map._layers).filter(l => l instanceof L.Polyline).length"
    before = screen.page.evaluate(lines)
    screen.page.get_by_label("every run, collar in").check()
    assert screen.page.evaluate(lines) > before + 10
    screen.page.get_by_label("change by segment").uncheck()
    assert screen.page.evaluate(lines) < before


def test_numbers_of_a_segment_fit_a_phone_with_both_arms_and_every_pass(
    screen: Screen, written: Written
) -> None:
    opened(screen, written, 390)
    handle = screen.page.get_by_role("slider", name="Along leg 1")
    for key in ("Home", "End"):
        handle.focus()
        screen.page.keyboard.press(key)
        screen.page.keyboard.press("Enter")
        screen.page.wait_for_timeout(400)
        popup, frame = box_of(screen, ".road-popup"), box_of(screen, ".road-frame")
        assert popup["x"] >= frame["x"]
        assert popup["x"] + popup["width"] <= frame["x"] + frame["width"]
        assert popup["height"] <= frame["height"]
        words = screen.page.locator(".road-popup").inner_text()
        for needed in ("% fuel (range", "collar out", "collar in", "L/100", "mean grade"):
            assert needed in words
        count = screen.page.locator(".road-dots .of-baseline").count()
        assert f"{count} passes" in words
        assert screen.page.locator(".road-dots .of-fitted").count() > 3
        assert screen.page.evaluate("document.activeElement.getAttribute('aria-label')") == (
            "Close these numbers"
        )
        screen.page.keyboard.press("Enter")
        assert screen.page.evaluate("document.activeElement.getAttribute('role')") == "slider"
    assert screen.faults() == []


def test_strip_and_map_tell_the_same_place(screen: Screen, written: Written) -> None:
    opened(screen, written)
    handle = screen.page.get_by_role("slider", name="Along leg 2")
    handle.focus()
    for _ in range(10):
        screen.page.keyboard.press("ArrowRight")
    assert float(handle.get_attribute("aria-valuenow")) == pytest.approx(1.7, abs=0.01)
    assert handle.get_attribute("aria-valuetext").startswith("1.7 km, B02")
    screen.page.locator(".road-here").scroll_into_view_if_needed()
    on_map = box_of(screen, ".road-here")
    screen.page.evaluate("document.activeElement.blur()")
    assert screen.page.locator(".road-here").count() == 0
    screen.page.mouse.move(on_map["x"] + 8, on_map["y"] + 8)
    screen.until("document.querySelectorAll('.road-told')[1].textContent.startsWith('1.7 km, B02')")
    assert screen.page.locator(".road-told").nth(0).inner_text() == ""


def test_two_runs_are_played_at_the_same_place_or_time(screen: Screen, written: Written) -> None:
    opened(screen, written)
    replay, rows = screen.page.locator(".road-replay"), screen.page.locator(".road-race tbody")
    replay.get_by_role("button", name="Play").click()
    screen.until("document.querySelector('.road-play input').value > 20")
    replay.get_by_role("button", name="Pause").click()
    assert screen.page.locator(".road-runner").count() == 2
    slider = screen.page.get_by_label("Along the leg")
    slider.fill("1000")
    assert "fuel so far" in rows.inner_text()
    at_end = rows.inner_text()
    assert replay.get_by_role("button", name="Play").count() == 1
    replay.get_by_label("the same time").check()
    assert "distance" in rows.inner_text()
    assert rows.inner_text() != at_end


def test_who_wants_no_motion_gets_steps(browser, written: Written) -> None:
    context = browser.new_context(offline=True, reduced_motion="reduce")
    screen = opened(Screen(context.new_page()), written)
    value = "Number(document.querySelector('.road-play input').value)"
    screen.page.get_by_role("button", name="Next segment").click()
    first = screen.page.evaluate(value)
    assert first > 0
    screen.page.wait_for_timeout(200)
    assert screen.page.evaluate(value) == first
    context.close()


def test_on_paper_it_is_whole_and_has_no_buttons(screen: Screen, written: Written) -> None:
    opened(screen, written)
    screen.page.emulate_media(media="print")
    for hidden in (".road-live", ".road-tools", ".road-shown", ".road-replay"):
        assert not screen.page.locator(hidden).first.is_visible(), hidden
    for shown in (".road-sketch", ".road-scale", ".road-strip"):
        assert screen.page.locator(shown).first.is_visible(), shown
    assert screen.pdf().startswith(b"%PDF")


def test_without_scripts_the_drawing_stands(browser, written: Written) -> None:
    context = browser.new_context(offline=True, java_script_enabled=False)
    page = context.new_page()
    page.goto(written("map").as_uri())
    assert page.locator(".road-sketch").is_visible()
    assert not page.locator(".road-tools").is_visible()
    context.close()


def test_long_names_leave_the_numbers_within_the_map(
    screen: Screen, change: Change, tmp_path: Path
) -> None:
    """A label of 300 letters, with markup and from right to left, filled the phone and more."""
    name = "<img src=x onerror=alert(1)> مرحبا " + "x" * 300
    page = tmp_path / "long.html"
    labels = {"baseline": name, "fitted": name}
    page.write_text(map_page(change(study_name=name, study_labels=labels)), encoding="utf-8")
    screen.look(390)
    screen.open(page)
    screen.page.get_by_role("slider", name="Along leg 1").focus()
    screen.page.keyboard.press("Enter")
    screen.page.wait_for_timeout(300)
    popup, frame = box_of(screen, ".road-popup"), box_of(screen, ".road-frame")
    assert popup["height"] <= frame["height"]
    assert popup["x"] + popup["width"] <= frame["x"] + frame["width"]
    assert screen.sideways_px() == 0
    assert screen.page.locator("img").count() == 0
    assert screen.said == []


@pytest.mark.slow
def test_a_large_map_is_dragged_without_a_jerk(
    screen: Screen, change: Change, analysed: Analysed, tmp_path: Path
) -> None:
    """Issue 14: 200 segments by 40 runs, median frame at most 17 ms. Printed with `-s`."""
    path = tmp_path / "map.html"
    path.write_text(map_page(change(network=larger(analysed.network, 200))))
    screen.look(1280)
    screen.open(path)
    box = box_of(screen, ".leaflet-container")
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    screen.page.evaluate(
        """() => { window.frames_ms = []; let last = performance.now();
          const look = (now) => { frames_ms.push(now - last); last = now;
            requestAnimationFrame(look); }; requestAnimationFrame(look); }"""
    )
    screen.page.mouse.move(x, y)
    screen.page.mouse.down()
    for step in range(240):
        screen.page.mouse.move(x + 4 * abs(step % 80 - 40), y + step % 40)
    screen.page.mouse.up()
    frames = sorted(screen.page.evaluate("frames_ms"))
    print(f"median frame {frames[len(frames) // 2]:.1f} ms of {len(frames)}")
    assert frames[len(frames) // 2] <= 17.0


def larger(network: Network, segments: int) -> Network:
    """The road with pieces of itself beside it, until it has so many segments."""
    made = list(network.segments)
    for i in range(segments - len(made)):
        old = network.segments[i % len(network.segments)]
        north = 0.001 * (1 + i // len(network.segments))
        made.append(replace(old, id=f"{old.id}-{i}", lat_deg=old.lat_deg + north))
    return replace(network, segments=tuple(made))
