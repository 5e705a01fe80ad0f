"""Results to files and words: results.json, report.html, passes.csv, map.html and the summary.

In: an `Analysed`. Out: text for people and machines; nothing is computed here but presentation.
"""

from roadlog.analysis.summary import summary_lines
from roadlog.report.json_out import to_json
from roadlog.report.objections.page import objections_page
from roadlog.report.write import write_results

__all__ = ["objections_page", "summary_lines", "to_json", "write_results"]
