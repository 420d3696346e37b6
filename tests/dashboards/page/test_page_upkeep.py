"""Health on the page tells how the last backup and the last check went, in the desk's words."""

import html
from pathlib import Path

from fake_clock import FakeClock
from paged_site import NOW_MS, in_front_of, paged_site

from rainstead.answers.upkeep import backup_health, check_health
from rainstead.upkeep import BackupAccount, CheckAccount, DamagedSpan, Went, leave_account
from rainstead.words import upkeep_lines

DAY_MS = 86_400_000


def shown(site: Path) -> str:
    with in_front_of(site, FakeClock(wall_ms=NOW_MS)) as page:
        return html.unescape(page.get("/health").text)


def test_how_backup_and_check_went_stands_on_the_page_and_what_went_wrong_stands_out(tmp_path: Path) -> None:
    site = paged_site(tmp_path / "site")
    assert "Copies" not in shown(site)
    well, failed = Went(NOW_MS - DAY_MS, True, "readings-x.db"), Went(NOW_MS - 3_600_000, True, "<b>no stick</b>")
    leave_account(site, BackupAccount("/media/stick", True, False, False, well))
    leave_account(site, CheckAccount(False, well))
    text = shown(site)
    assert "<p>The last backup was made 24.0 h ago: /media/stick/readings-x.db.</p>" in text
    assert "<p>The last check found the log whole, 24.0 h ago.</p>" in text
    leave_account(site, BackupAccount("/media/stick", True, True, False, well, failed))
    leave_account(site, CheckAccount(False, well, None, 1, 360, (DamagedSpan(NOW_MS - DAY_MS, NOW_MS, 360),)))
    text = shown(site)
    lines = upkeep_lines(
        backup_health(site, NOW_MS, clock_is_trusted=True),
        check_health(site, NOW_MS, clock_is_trusted=True),
        "Europe/Lisbon",
    )
    assert len(lines) == 2
    for looks, line in lines:
        assert looks == "bad" and f'<p class="alarm">{line}</p>' in text


def test_what_an_account_says_is_no_markup_of_the_page(tmp_path: Path) -> None:
    site = paged_site(tmp_path / "site")
    leave_account(site, BackupAccount("/x", True, True, None, None, Went(NOW_MS, True, "<script>alert(1)</script>")))
    with in_front_of(site, FakeClock(wall_ms=NOW_MS)) as page:
        assert "<script>" not in page.get("/health").text
