"""The gate: the only room that opens trial files. What comes through is a Trial; what does not is told in full."""

from trialkit.intake.check import Checked, CheckSummary, check_trial
from trialkit.intake.columns import BINS, READINGS, Column
from trialkit.intake.folder import new_trial
from trialkit.intake.form import blank_workbook, workbook_bytes, write_workbook
from trialkit.intake.form_filling import fill_workbook, sheet_texts, table_texts
from trialkit.intake.gate import load_trial, read_plan
from trialkit.intake.progress import Progress
from trialkit.intake.reshape import Reshaped, reshape_wide
from trialkit.intake.schema import datapackage
from trialkit.intake.summary import summarise_check

__all__ = [
    "BINS",
    "READINGS",
    "CheckSummary",
    "Checked",
    "Column",
    "Progress",
    "Reshaped",
    "blank_workbook",
    "check_trial",
    "datapackage",
    "fill_workbook",
    "load_trial",
    "new_trial",
    "read_plan",
    "reshape_wide",
    "sheet_texts",
    "summarise_check",
    "table_texts",
    "workbook_bytes",
    "write_workbook",
]
