"""Every text of the page, in one place, so that another language is another dictionary.

Placeholders in braces are filled by `str.format`.
"""

from __future__ import annotations

from collections.abc import Mapping

ENGLISH: Mapping[str, str] = {
    "language": "en",
    "title": "occlusim",
    "skip": "To the content",
    # start
    "start_heading": "Check a crown before it is milled",
    "start_intro": "Drop in the scans of both arches, the bite and the designed crown. You are "
    "told whether the crown is high, where, by how much, in which movement, and what to take off. "
    "Nothing leaves this computer.",
    "folder": "Cases are kept in {folder}",
    "new_heading": "New case",
    "new_label": "Name of the case",
    "new_hint": "Letters, digits, - and _. Never a patient's name.",
    "new_button": "Make the case",
    "demo_button": "Make a case of invented scans",
    "demo_hint": "To try it out: a lower molar crown on an implant, made up for this purpose.",
    "list_heading": "Cases so far",
    "list_empty": "There are none yet.",
    "col_case": "Case",
    "col_tooth": "Tooth",
    "col_state": "State",
    "col_answer": "Answer",
    "col_changed": "Last changed",
    "all_cases": "All cases",
    "no_such_case": "There is no case {name} in the folder; choose one from the list.",
    "name_taken": "There is something called {name} in the folder already; give another name",
    # states of a case
    "state_none": "not run yet",
    "state_queued": "waiting for its turn",
    "state_running": "running",
    "state_done": "done",
    "state_failed": "ended without an answer",
    "state_cancelled": "cancelled",
    "state_interrupted": "interrupted: the page was closed",
    # files
    "files_heading": "1. Files",
    "files_intro": "STL, PLY or OBJ, up to {most:.0f} MB each. Each is checked as it comes in.",
    "role_upper": "Upper arch",
    "role_lower": "Lower arch",
    "role_bite": "Bite scans",
    "role_crown": "Crown",
    "bite_number": "Bite scan {n}",
    "about_upper": "The scan of the upper teeth.",
    "about_lower": "The scan of the lower teeth.",
    "about_bite": "Scans across both arches in the bite, best one of each side. Without any, the "
    "two arches must already lie in the bite.",
    "about_crown": "The designed crown, in the coordinates of its own arch's scan.",
    "choose_one": "Choose a file",
    "choose_more": "Choose files",
    "drop_hint": "or drop it here",
    "drop_hint_more": "or drop them here",
    "no_file": "No file yet.",
    "file_facts": "{faces:,} triangles, {x:.1f} × {y:.1f} × {z:.1f} mm",
    "usable": "Can be used.",
    "not_usable": "Cannot be used.",
    "severity_error": "Error",
    "severity_warning": "Look at this",
    "severity_info": "Note",
    "more_notes": "Notes ({n})",
    "remove": "Remove",
    "remove_named": "Remove {name}",
    "uploading": "{name}: {percent} % copied",
    "checking": "{name}: being checked",
    "wrong_ending": "{name}: unknown kind of file. Export the mesh as .stl, .ply or .obj",
    "too_large": "{name}: {size:.0f} MB is too large; up to {most:.0f} MB is allowed. Export fewer "
    "triangles, or the binary kind of STL or PLY",
    "no_length": "{name}: the browser did not say how large the file is; choose it again",
    "cut_off": "{name}: only {got} of {wanted} bytes arrived; choose the file again",
    "not_kept": "{name}: could not be kept ({reason}); check the space and rights of the folder",
    "too_many_bites": "{n} bite scans are the most; remove one first",
    "not_reached": "{name}: did not arrive; is the program still running?",
    # view
    "view_heading": "Look at the files",
    "view_which": "Show",
    "view_empty": "There is nothing to show yet: drop in a file.",
    "view_name": "{what}, in three dimensions. Drag to turn, scroll to come nearer.",
    "view_borders": "edge of the scan",
    "view_note": "Dark lines are the edges where the surface ends. Drawn with fewer triangles than "
    "the file has; everything is computed on all of them.",
    "pick_label": "A click on the surface sets",
    "pick_none": "nothing",
    "pick_wrong": "{what} is a point on the {scan}: show that one first.",
    "pick_done": "{what} set to {x:.2f}, {y:.2f}, {z:.2f} mm.",
    "pick_hint": "The same points can be typed in under More settings.",
    # settings
    "settings_heading": "2. Tooth and settings",
    "more_settings": "More settings: screw access, milling, wanted gaps, jaw guidance, other "
    "teeth, points and axis",
    "more_intro": "All of these may be left empty: the default stands in the field.",
    "needed": "needed",
    "default": "default {value}",
    "universal": "Universal {number}",
    "not_stated": "not stated",
    "axis_x": "x",
    "axis_y": "y",
    "axis_z": "z",
    # run
    "run_heading": "3. Check",
    "run_button": "Check the crown",
    "cancel_button": "Cancel",
    "still_needed": "Still needed before the check:",
    "ready": "All that is needed is there.",
    "missing_file": "File: {what}",
    "file_not_usable": "{what}: this file cannot be used; the reason stands beside it",
    "progress": "Progress of the check",
    "progress_words": "{percent} %: {stage}",
    "elapsed": "{seconds} s so far. About a minute on most cases; the first run on a computer "
    "takes a minute or two more.",
    "queued_words": "Waiting: {n} before this one.",
    "busy": "This case is being checked. Wait until it is done, or cancel it, before changing it",
    "not_complete": "The case is not complete; what lacks is listed above the button",
    "unexpected": "The program ended without saying why (code {code}). What it wrote lies in {log}",
    "not_published": "The results could not be kept ({reason}); check the space of the folder",
    "failed_heading": "No answer",
    "cancelled_words": "Cancelled. Nothing of this run was kept.",
    "interrupted_words": "The program was closed before the check was done. Start it again.",
    # result
    "result_heading": "4. Result",
    "result_none": "There is no result yet.",
    "stale": "Files or settings have changed since this result. Check the crown again.",
    "kept_before": "What stands here is the result of the run before.",
    "report_heading": "The report",
    "report_frame": "Report of case {name}",
    "open_report": "Open the report in a tab of its own",
    "downloads": "Download",
    "download_stl": "Adjusted crown (STL)",
    "download_ply": "Adjusted crown (PLY)",
    "download_report": "Report (one HTML file)",
    "download_results": "All numbers (JSON)",
    "download_spots": "High spots (CSV)",
    "download_case": "Case file (TOML)",
    "cautions": "Cautions",
    "no_token": "This address is not the whole one. Open the page from the link that the program "
    "printed when it was started.",
}

LABELS: Mapping[str, tuple[str, str]] = {
    "crown.tooth": (
        "Tooth",
        "The tooth the crown stands for: ISO 3950 number, the Universal number below it.",
    ),
    "crown.support": (
        "Stands on",
        "A natural tooth gives way a little when bitten on, an implant does not. So a crown on an "
        "implant is by default left 25 µm short of the natural contacts.",
    ),
    "crown.guidance": (
        "Does the crown guide the jaw?",
        "State it for incisors and canines: left open, nothing is taken off there for movements. A "
        "crown that guides is judged in closing alone; one that shares it may touch in movements "
        "as in closing. For premolars and molars, left open means no.",
    ),
    "scans.units": ("Unit of the files", "Nearly always millimetres."),
    "crown.min_thickness_mm": (
        "Least wall thickness (mm)",
        "Nothing is taken off below this. See the material's instructions for use.",
    ),
    "crown.seating_axis": (
        "Direction in which the crown is seated",
        "The way it travels, in its own coordinates. Left empty, the direction in which it passes "
        "its neighbours with the least overlap is searched for.",
    ),
    "crown.access.point_mm": (
        "Screw's seat (mm)",
        "The deepest place of the screw access channel, in the crown's coordinates. For a crown "
        "held by a screw: this, the axis and the diameter together, or none of them.",
    ),
    "crown.access.axis": (
        "Axis of the screw access channel",
        "From the screw's seat out of the crown, in the crown's coordinates; any length.",
    ),
    "crown.access.diameter_mm": ("Diameter of the screw access channel (mm)", "0.5 to 10."),
    "crown.access.max_tilt_deg": (
        "How far the channel may be tilted (degrees)",
        "About the screw's seat, to keep contacts off the opening. 0: it stays as it is given.",
    ),
    "crown.milling.axis": (
        "Direction the cutter points",
        "In the crown's coordinates. Left empty, depths are measured along the crown's surface "
        "normal.",
    ),
    "crown.milling.tool_radius_mm": (
        "Radius of the cutter (mm)",
        "No hollow of a cut is made narrower than this. 0: a cut follows every detail.",
    ),
    "targets.centric_um": (
        "Wanted gap in closing (µm)",
        "Against the natural contacts at light load. Default: 0 on a tooth, 25 on an implant.",
    ),
    "targets.excursion_um": (
        "Wanted gap in movements (µm)",
        "How far the crown should stay clear when the jaw moves forward or sideways.",
    ),
    "guidance.inclination_plane": (
        "Plane of the condylar angles",
        "Angles mean nothing without the plane they were measured from.",
    ),
    "guidance.sagittal_inclination_deg": (
        "Sagittal condylar inclination (degrees)",
        "Leave empty for mean values.",
    ),
    "guidance.bennett_angle_deg": ("Bennett angle (degrees)", "Leave empty for mean values."),
    "movements.protrusion_mm": (
        "How far the jaw moves forward (mm)",
        "Travel of the condyles. Shorten it where the teeth lose each other before the end.",
    ),
    "movements.laterotrusion_mm": (
        "How far the jaw moves sideways (mm)",
        "Travel of the advancing condyle, to either side.",
    ),
    "teeth.implants": (
        "Other teeth that are implants",
        "ISO 3950 numbers, such as 36 37. They do not give way.",
    ),
    "teeth.missing": ("Missing teeth", "ISO 3950 numbers, such as 18 28."),
    "mounting.condyles": (
        "The condylar points were",
        "Measured on the patient's own hinge movement, or placed by a rule on the face.",
    ),
    "mounting.right_condyle_mm": (
        "Right condylar point (mm)",
        "One end of the hinge axis, in the upper scan's coordinates.",
    ),
    "mounting.left_condyle_mm": (
        "Left condylar point (mm)",
        "The other end, in the upper scan's coordinates.",
    ),
    "mounting.incisal_mm": (
        "Incisal point (mm)",
        "Between the lower central incisors' edges, in the lower scan's coordinates. All three "
        "points on the lower arch or none.",
    ),
    "mounting.right_molar_mm": (
        "Right molar point (mm)",
        "Distobuccal cusp of the last lower molar on the right, in the lower scan's coordinates.",
    ),
    "mounting.left_molar_mm": (
        "Left molar point (mm)",
        "Distobuccal cusp of the last lower molar on the left, in the lower scan's coordinates.",
    ),
}
"""Label and plain explanation of every setting."""

CHOICES: Mapping[str, str] = {
    "tooth": "a natural tooth",
    "implant": "an implant",
    "none": "no",
    "shared": "together with other teeth",
    "guides": "yes, it guides",
    "mm": "mm",
    "cm": "cm",
    "m": "m",
    "um": "µm",
    "inch": "inch",
    "occlusal": "occlusal plane",
    "camper": "Camper's plane",
    "frankfort": "Frankfort plane",
    "measured": "measured",
    "arbitrary": "by a rule",
    "right": "patient's right",
    "left": "patient's left",
}

WORDS = ENGLISH
