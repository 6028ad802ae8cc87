"""Remedies of the messages, followed to the letter."""

from __future__ import annotations

from tests.intake.otherlabs.made import Case, Laboratory, case, kind, plain, wide_entry
from tests.intake.otherlabs.texts_one import (
    factor_row_below_headings,
    lims_dump_cancelled,
    mean_sd_rows_in_long,
    note_p_percent,
)
from tests.intake.otherlabs.texts_three import code_below_its_block
from tests.intake.otherlabs.workbooks import (
    o_display_differs,
    o_percent_type,
    x_fmt_lt_conditional,
    x_fmt_thousand,
    x_fmt_unit_suffix,
    x_percent_format,
)


@kind
def r_xpercent_marked(lab: Laboratory) -> Case:
    d = x_percent_format(lab)
    d["hand"]["file"][0]["marked"] = {"format": "percent format, laboratory 4 May"}
    return d


@kind
def r_odspercent_marked(lab: Laboratory) -> Case:
    d = o_percent_type(lab)
    d["hand"]["file"][0]["marked"] = {"format": "percent format, laboratory 4 May"}
    return d


@kind
def r_odsdisplay_marked(lab: Laboratory) -> Case:
    d = o_display_differs(lab)
    d["hand"]["file"][0]["confirmed"] = {lab.samples[3] + " Si": "the lab says <20 is meant"}
    return d


@kind
def r_fmtcond_marked(lab: Laboratory) -> Case:
    d = x_fmt_lt_conditional(lab)
    d["hand"]["file"][0]["marked"] = {"format": "below 2, laboratory 4 May"}
    return d


@kind
def r_thousandfmt_marked(lab: Laboratory) -> Case:
    d = x_fmt_thousand(lab)
    d["hand"]["file"][0]["marked"] = {"format": "shown in g/kg, laboratory"}
    return d


@kind
def r_unitsuffix_marked(lab: Laboratory) -> Case:
    d = x_fmt_unit_suffix(lab)
    d["hand"]["file"][0]["units"] = {"P": "% (m/m)", "Ca": "mg/kg"}
    return d


@kind
def r_note_p_percent_unit_ok(lab: Laboratory) -> Case:
    d = note_p_percent(lab)
    d["hand"]["file"][0]["units"] = {"Si": "mg/kg", "P": "% (m/m)", "Ca": "mg/kg"}
    return d


@kind
def r_factor_row_ignored(lab: Laboratory) -> Case:
    d = factor_row_below_headings(lab)
    d["hand"]["file"][0]["ignore_lines"] = ["x 1;x 10;x 100"]
    return d


@kind
def r_lims_confirmed(lab: Laboratory) -> Case:
    d = lims_dump_cancelled(lab)
    d["hand"]["file"][0]["confirmed"] = {lab.samples[1] + " Si": "asked: the second counts"}
    return d


@kind
def r_mean_sd_left_out(lab: Laboratory) -> Case:
    d = mean_sd_rows_in_long(lab)
    e = d["hand"]["file"][0]
    e["columns"].pop("replicate")
    e["replicates"] = "in order"
    e["ignore_columns"] = ["Rep"]
    return d


@kind
def r_code_below_accept_confirmed(lab: Laboratory) -> Case:
    d = code_below_its_block(lab)
    return d


@kind
def r_decimal_comma_all_rows(lab: Laboratory) -> Case:
    rows = ["Sample,Si,P,Remark,"] + [
        f"{code},{('{:.1f}'.format(lab.values[code]['Si'])).replace('.', ',')},{plain(lab.values[code]['P'])},"
        for code in lab.samples
    ]
    return case(
        [("a.csv", "\r\n".join(rows) + "\r\n")],
        lab.meant(["Si", "P"]),
        hand=wide_entry(same=["Si", "P"], delimiter=",", ignore_columns=["Remark"]),
    )
