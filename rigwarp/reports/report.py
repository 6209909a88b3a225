"""report.html: a result on one self-contained page, for people."""

from pathlib import Path

from rigwarp.files import RigFolder, write_text
from rigwarp.files.names import REPORT_FILE
from rigwarp.reports.result_parts import ResultParts, read_parts
from rigwarp.reports.sections.as_built_facts import read_facts
from rigwarp.reports.sections.mirror import mirror_section
from rigwarp.reports.sections.origin import caution_section, origin_section, rig_section
from rigwarp.reports.sections.page import page_template
from rigwarp.reports.sections.table_map import map_sections
from rigwarp.reports.sections.verdicts import judge_result, summary_sentences
from rigwarp.reports.sections.verification import check_section
from rigwarp.words import Glosses


def write_report(folder: RigFolder, result: Path) -> Path:
    """Write the report of a result into its folder, in place of an older one.

    Parameters
    ----------
    result : a result folder of it. What is missing there is said to be missing; nothing is required.

    Returns
    -------
    Path
        report.html: one page with its pictures inside, which needs no other file and no network.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    path = result / REPORT_FILE
    write_text(path, render_report(folder, result), replace=True)
    return path


def render_report(folder: RigFolder, result: Path) -> str:
    """The page as HTML text; see `write_report`."""
    parts = read_parts(folder, result)
    facts = read_facts(parts.as_built)
    check = check_section(parts)
    sections = [
        check,
        *map_sections(parts),
        mirror_section(parts, facts),
        rig_section(folder),
        origin_section(parts),
        caution_section(),
    ]
    sentences, verdicts, glosses = summary_sentences(parts, facts), judge_result(parts, facts), Glosses()
    front = "\n".join([*sentences, *(f"{verdict.what} {verdict.found}" for verdict in verdicts)])
    return page_template("report.html").render(
        title=parts.rig.name,
        result=parts.name,
        made=_made(parts),
        changed=parts.changed,
        sentences=sentences,
        words=glosses.first_used(front),
        verdicts=verdicts,
        first_picture=check.pictures[:1],
        sections=[(section, glosses.first_used(section.text)) for section in sections],
    )


def _made(parts: ResultParts) -> str:
    """When and with what the result was made, as far as it is recorded."""
    started, program = parts.start.started_utc, parts.start.program
    when = f", made {started[:10]} at {started[11:16]} UTC" if started is not None and len(started) > 16 else ""
    return f"{when} with rigwarp {program}" if when and program is not None else when
