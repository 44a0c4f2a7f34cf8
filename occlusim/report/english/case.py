"""The texts on findings, settings, files, versions and pictures, and the cautions."""

from __future__ import annotations

from collections.abc import Mapping

CASE: Mapping[str, str] = {
    # the rest
    "findings": "Findings",
    "findings_caption": "What to look at",
    "noted_caption": "For information",
    "no_findings": "Nothing that needs a look.",
    "col_severity": "Weight",
    "col_code": "Code",
    "col_message": "What was found",
    "severity_info": "for information",
    "severity_warning": "warning",
    "severity_error": "error",
    "prediction": "The chairside visit",
    "prediction_caption": "What the visit will be like",
    "no_prediction": "Not part of this version: how likely it is that nothing has to be ground in "
    "the mouth, and how many rounds of marking and grinding to expect.",
    "contents": "On this page",
    "folded_rows": "{n} rows",
    "not_printed": "not printed",
    "settings": "Settings",
    "settings_caption": "Settings of this run",
    "no_settings": "Settings were not recorded.",
    "inputs": "Inputs",
    "inputs_caption": "Files read, with the digest of their content (SHA-256)",
    "no_inputs": "No input was recorded.",
    "col_role": "Role",
    "col_file": "File",
    "col_vertices": "Vertices",
    "col_faces": "Faces",
    "col_digest": "SHA-256",
    "versions": "Versions and times",
    "versions_caption": "Program, start and time of each stage",
    "program": "occlusim",
    "schema": "Layout of the results",
    "started": "Started",
    "stage_time": "Stage: {stage} (s)",
    "cautions": "Before you rely on this",
    # pictures
    "picture_before": "Gap at light biting load, crown as given",
    "picture_after": "Gap at light biting load, crown adjusted",
    "picture_reduction": "What to take off, with the numbers of the spots",
    "picture_upper": "Upper arch, seen from below; rings are contacts,"
    "\npale rose carries no number",
    "picture_lower": "Lower arch, seen from above; rings are contacts,"
    "\npale rose carries no number",
    "picture_mounting_side": "Mounting, seen from the patient's right; front to the right",
    "picture_mounting_front": "Mounting, seen from in front; patient's right on the left",
    "mounting_condyles": "hinge axis (condylar points)",
    "mounting_axis": "hinge axis",
    "mounting_right_condyle": "right condylar point",
    "mounting_left_condyle": "left condylar point",
    "mounting_incisal": "lower incisal point",
    "mounting_molars": "last molars, distobuccal cusps",
    "mounting_right_molar": "right molar point",
    "mounting_left_molar": "left molar point",
    "mounting_plane": "occlusal plane",
    "pictures_left_out": "The pictures were left out, because {reason}. All else is complete. "
    "If OpenGL libraries are missing, install them; on Debian: apt-get install libegl1 libgl1 "
    "libx11-6",
    "pictures_hung": "drawing took longer than {seconds} s",
    "pictures_died": "the drawing library ended its process (code {code})",
    "pictures_none_drawn": "nothing was drawn",
    "skip": "To the answer",
}

CAUTIONS: tuple[str, ...] = (
    "This page supports a decision; it does not make one. The program has not been assessed "
    "or cleared as a medical device. Whether the law where you work treats this use as one is"
    " for you to find out.",
    "Scans, bite records and mounting by mean values are wrong by about as much as the "
    "corrections shown here. Confirm every contact in the mouth with foil.",
    "Patients feel less on an implant and report height too late. Do not judge height under "
    "anaesthesia.",
    "How thin a material may become is set by its own instructions for use, and they go "
    "before the limit used here. Polish the surface after every adjustment.",
    "Adjusting teeth or crowns is for those licensed to do so, under the rules of the place. "
    "A tooth of the opposing arch is never adjusted without the patient's consent.",
    "See the patient again: foil and a scan at delivery, after 3 months and after 12 months "
    "(common practice).",
)
