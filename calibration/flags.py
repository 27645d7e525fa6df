"""One table of doubts: code, weight, sentence and remedy.

The report, the record, the messages and the documentation all read this table,
so they cannot disagree. ``look`` means that a person must look before cutting;
``refused`` means that no outline is given; ``usage`` that the call is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Weight = Literal["note", "look", "refused", "usage"]


@dataclass(frozen=True)
class Doubt:
    """One doubt about a result, ready to show."""

    code: str
    weight: Weight
    text: str
    remedy: str


# code -> (weight, sentence, remedy); braces are filled by doubt().
TABLE: dict[str, tuple[Weight, str, str]] = {
    # --- the call and the plan file
    "unknown-key": ("usage", "{file}: unknown key '{key}' in [{table}]{hint}.", "Correct or remove that line."),
    "bad-value": ("usage", "{file}: '{key}' is {got}, but {need} is needed.", "Correct that line."),
    "bad-length": ("usage", "'{text}' is not a length.", "Write a number with its unit, such as 505 mm, 19.875 in or 19 7/8 in."),
    "length-without-unit": ("usage", "'{text}' does not say whether it is mm or in.", "Say mm or in: write the unit behind the number, such as 505 mm, 19.875 in or 19 7/8 in."),
    "place-outside": ("usage", "({x}, {y}) of {key} is outside the picture, {width} x {height}.", "Give the place in pixels of the whole picture, counted from its upper left corner: x to the right, then y down."),
    "bad-option": ("usage", "{option} is '{got}', but {need} is needed.", "Correct the call."),
    "bad-toml": ("usage", "{file} is not a readable plan file: {why}.", "Mend the line named; the file is TOML."),
    "no-such-file": ("usage", "{file} does not exist.", "Check the name and the folder."),
    "odd-name": ("usage", "The name {file} is not written in UTF-8, and the picture cannot be opened by it.", "Rename the file, or its folder, in plain letters."),
    "no-plans": ("usage", "{place} holds no plan: neither a picture nor a plan file.", "Give pictures, plan files, folders of them, or a list of them, one a line, as a .txt file."),
    "out-not-writable": ("usage", "The folder {folder} cannot be written: {why}.", "Choose another folder with --out."),
    "disk-full": ("usage", "The disk is full: the results do not fit into {folder}.", "Free space there, or give another folder with --out."),
    "out-has-results": ("usage", "The folder {folder} already holds results ({file}).", "Choose another folder with --out, or add --replace."),
    "port-taken": ("usage", "Port {port} of this machine cannot be used: {why}.", "Choose another with --port, or leave it out for any free one."),
    # --- the reprint
    "region-off-sheet": ("usage", "The region {region} px holds nothing of the sheet, whose picture is {width} x {height} px.", "Give --region X Y W H in pixels of the picture: the region's upper left corner, its width and its height."),
    "sheet-unchecked": ("look", "Only rules laid on the sheet were found: this print is as large as that copy, and copies are often 1-2 % off.", "Give a [[span]] with its length as the plan states it, or scan with a rule of the plan itself in view."),
    "bad-measured": ("usage", "'{text}' does not tell what the check lines measure: {why}.", "Write both lengths with their unit, across the paper first, such as --measured \"99.6 mm x 100.2 mm\"."),
    "check-line-uncertain": ("usage", "{text} may be the 100 mm line or the 4 in line.", "Say which was measured, such as --measured \"{text} of 100 mm x ...\" or \"{text} of 4 in x ...\"."),
    "printer-by-page": ("note", "By {file} and {by}, the printer prints at {across} across and {along} along the paper; this print is drawn so that it cancels.", "{how}"),
    "page-off": ("look", "{page} is {what}.", "Print page {number} again at 100 %, without fitting to the page, as the others were, and check it again before you join it."),
    "page-not-measured": ("look", "{page} shows nothing that it could be measured by.", "Scan all of it, its check lines in view and clear; or say what is known of it: [[span]] with image, from, to and length."),
    "pages-cannot-tell": ("look", "Of {count} pages it cannot be told whether they are within {tolerance} of true: they are known to {u95} % only.{alike}", "Lay a steel rule of class I beside each page as it is scanned, and tell it in a plan file ([[rule]] role = \"laid\"); or allow more with --tolerance."),
    "pages-without-lengths": ("refused", "No page shows anything that it could be measured by.", "Scan the pages whole, with their check lines, at 150 dots per inch or more; or say what is known of one: [[span]] with image, from, to and length."),
    "one-plan-file": ("usage", "A plan file stands alone; several pictures are the pages of one print.", "Give one plan file, with image = [\"page-1.png\", \"page-2.png\"] in it, or pictures only."),
    "pages-tolerance": ("usage", "Pages are held against a tolerance in percent, not in mm.", "Write --tolerance \"0.1 %\"."),
    "page-photo": ("refused", "{file} is a photo; a printed page is measured in scans.", "Scan the page, or measure its check lines with a steel rule and type both: --measured \"99.6 mm x 100.2 mm\"."),
    "page-no-scale": ("refused", "{file} states no resolution, and no real rule is told to lie beside the page.", "Lay a steel rule beside the page, scan it again, and give a plan file that names that scan: [[rule]] role = \"laid\", near = [x, y]."),
    "page-rule-not-found": ("refused", "The real rule that is told to lie beside the page in {file} was not found.", "Point to it with [[rule]] role = \"laid\", near = [x, y], any pixel on it, or leave it out."),
    "page-without-marks": ("refused", "{file} does not show the check lines of a printed page: two level ones at its foot, two upright ones at its right edge.", "Scan a whole page of a print that 'boutline reprint' made, both edges included, at 150 dots per inch or more, with nothing written over the lines; or measure them and type both: --measured \"99.6 mm x 100.2 mm\"."),
    "page-other-paper": ("refused", "The page in {file} was laid out {seen} mm wide; pages of this print are {width} mm wide.", "Give the same --paper and the same part of the plan as for the first print, or scan a page of this one."),
    "check-lines-disagree": ("refused", "The check lines in {file} disagree by {percent} %.", "Scan the page again, flat on the glass."),
    "print-far-off": ("usage", "{measured} {direction} the paper would be a print at {percent} %, which is hardly a printer's error.", "Check the unit and the line: a length in mm is of the 100 mm line, one in inches of the 4 in line. If it is right, set the printer to 100 % without fitting and print again."),
    # --- the picture
    "unreadable": ("refused", "{file} cannot be read as a picture: {why}.", "Scan or export it again as PNG, TIFF, JPEG or PDF."),
    "pdf-locked": ("refused", "{file} is locked with a password, and cannot be opened without it.", "Open it in the program that shows your PDFs, give the password there, and save or print it as a new PDF without one; then give that."),
    "truncated": ("refused", "{file} ends before the picture does.", "Copy or scan it again; part of the sheet is missing."),
    "too-large": ("refused", "{file} claims {megapixels} megapixels; the limit is {limit}.", "Scan at a lower resolution or crop to the body and one rule; an upright TIFF in strips or tiles may have up to 4295 megapixels."),
    "no-room": ("refused", "{file} has {megapixels} megapixels, and there is no room for a byte of each where temporary files are made.", "Free as many megabytes there, or name another folder in the environment variable TMPDIR."),
    "too-small": ("refused", "{file} is only {width} x {height} pixels.", "Scan the sheet at 200 dpi or more."),
    "no-such-page": ("usage", "{file} has {pages} page(s); page {page} was asked for.", "Set page under [plan] to one that exists."),
    "other-pages": ("note", "{file} has {pages} pages; only page {page} was looked at.", "Nothing to do if that is the one; else set page under [plan]."),
    "empty-page": ("refused", "The page holds no drawing.", "Check that the right page and side were scanned."),
    # --- rules and scale
    "no-rule": ("refused", "No graduated rule or other known length was found, so nothing fixes the scale.", "Scan with a drawn rule in view, mark it with [[rule]] near = [x, y], or give a [[span]] of known length."),
    "absurd-size": ("refused", "By {by} the whole picture would be {width} x {height} mm, which no plan of a body is.", "Check the unit and the length of each [[span]], and the unit of each [[rule]]: 505 mm is not 505 in."),
    "unit-uncertain": ("refused", "The graduations at {place} px may be {candidates}: their unit is not certain.", "Say which in the plan file: [[rule]] unit = \"mm\" or \"in\", near = [x, y]."),
    "unit-contradicted": ("refused", "The plan file says that the graduations at {place} px are in {told}, but they look like {seen}.", "Read the numbers on the rule: if they agree, take unit out of that [[rule]], or put its near = [x, y] on the edge that is meant."),
    "rule-left-out": ("note", "The graduations at {place} px may be {candidates}; other rules fix the scale, so they were left out.", "To count them too, say which in the plan file: [[rule]] unit = \"mm\" or \"in\", near = [x, y]."),
    "rules-disagree": ("refused", "{first} and {second} disagree by {percent} %.", "Check which is right; leave the other out with [[rule]] near = [x, y] on the good one."),
    "one-direction": ("look", "All known lengths run {direction} on the sheet; the scale {other} is not certified.", "Give a second rule, a [[span]] or a stated size in the other direction."),
    "rule-nonlinear": ("look", "The graduations of {rule} leave a straight scale by up to {max_mm} mm.", "The copy or the scan was fed unevenly; scan again, or claim no more than the wider uncertainty."),
    "feed-evened": ("look", "The sheet was fed unevenly: the graduations of {rule} leave a straight scale by up to {max_mm} mm (F = {f}, chance {chance}). This was taken out all over the sheet before the outline was traced.", "Scan the sheet again if the scanner did it. If the copier did, check one size that the plan states in that direction; beyond the ends of {rule} nothing is known of it."),
    "dpi-disagrees": ("look", "The file says {dpi} dots per inch, but the graduations give {measured}.", "If the copy was not enlarged or reduced on purpose, check the unit of the rule."),
    "shear-assumed": ("note", "Squareness of the sheet rests on: {evidence}.", "A third rule on the slant would prove it."),
    # --- the bank card
    "card-not-found": ("look", "No bank card was found {where}, though the plan file tells of one; the scale was not checked by it.", "Point to it with [[card]] near = [x, y], any pixel on it. It must lie wholly in the picture, one tone apart from the paper all round, with nothing over its edges. Or take [[card]] out."),
    "card-disagrees": ("look", "The bank card's {side} measures {measured} mm by this scale; it is {nominal} mm (ISO/IEC 7810): {off} % off, and {u95} % would be usual.", "Check the unit of the rules ([[rule]] unit), that they are real rules and not printed ones, and that the card is a bank card lying flat. Do not cut before one of them is explained."),
    "card-disagrees-plan": ("look", "The bank card's {side} measures {measured} mm of the plan; it is {nominal} mm (ISO/IEC 7810): {off} % off, more than copiers are.", "Check the unit of the plan's rules ([[rule]] unit) and spans. If the copy was enlarged or reduced on purpose, take [[card]] out or cover the card, and scan again."),
    "size-alone": ("refused", "No graduated rule was found. A size of the body alone, as [body] states it, does not fix the scale: copies stretch lengthwise and crosswise by other amounts, and nothing on the picture shows where that size was taken.", "Give the size as a [[span]] with the two places it lies between, and another one square to it; or mark a rule with [[rule]] near = [x, y]. The stated size may stay as a check."),
    "card-alone": ("refused", "Only a bank card lies on the sheet. It is 85.6 mm long and good to some 0.3 %, 1.5 mm on a guitar: a check of the scale, and too little to be one.", "Lay a steel rule of 300 mm or longer on the sheet, or give a [[span]] of known length; the card may stay as a check."),
    # --- the outline
    "no-outline": ("refused", "No closed body outline was found.", "Point to the body with body.near = [x, y], or scan the whole of it."),
    "several-bodies": ("refused", "{count} curves could be the body, near {places} px.", "Say which with body.near = [x, y]."),
    "other-body": ("look", "Another drawing on the sheet, near ({place}) px, is {percent} % as large and may be the body as well.", "If it is the one, add near = [{place}] to [body] in the plan file; if it is not, point to the right one in the same way."),
    "curves-elsewhere": ("look", "Curved lines elsewhere on the sheet, near {place} px, make something larger than the outline: a body may have been missed there.", "If the body is there, point into it with body.near, and set body.through points on its line; if it is not, point into the one that was taken."),
    "outline-off-sheet": ("refused", "The outline runs off the picture at {place} px.", "Scan the whole body."),
    "bridged": ("look", "{length} mm of the outline ({percent} %) was bridged, not traced, near {place} px.", "Look at the overlay there; add body.through points if the line runs elsewhere."),
    "along-rule": ("look", "For {length} mm near {place} px the outline runs along the edge of a rule lying on the sheet: that edge may have been taken for the line, with the line hidden under the rule.", "Lay the rule clear of the outline and photograph it again; if the line does run there, look along it in the overlay."),
    "merged-line": ("look", "For {length} mm another line runs along inside the outline's ink near {place} px, and which edge is whose is not certain.", "Look at the overlay there; scan at a higher resolution, or erase the other line from the scan."),
    "alternative-line": ("look", "Another line runs along the outline, {distance} mm from it near {place} px, and may be the body's own.", "Look at the overlay there. If the other line is the body's, add this to [body] in the plan file: through = {other}"),
    "uncertain-turn": ("look", "At a crossing the outline was followed on weak evidence (cost {cost}).", "Look along the outline in the overlay; settle it with body.through or body.ignore."),
    "half-closed": ("look", "The drawing is closed by one straight line of its own pen, from end to end: it was taken for half a body, and that line for its centerline.", "If it is a half, say so by pointing to it with body.near; if it is the whole body, set a body.through point on the straight line."),
    "half-doubtful": ("look", "The drawing was taken for a half, but lines as heavy as its outline run where the other half would be, near {place} px.", "If the whole body is drawn, point to it with body.near and a body.through point on the side that was left out."),
    "size-unusual": ("look", "The body measures {length} mm by {width} mm, outside what instruments usually are.", "Check the unit of the rule."),
    "copy-one-way": ("look", "What the plan itself states checks this copy along one direction only, and copies are often off by another amount the other way.", "State a size that the plan gives along the other direction, in [body] or as a [[span]]."),
    "drawn-or-laid": ("look", "{rules} is as long as the real rules on the sheet say, while the copy is off in other lengths: it was taken as drawn with the plan, but may be a clear rule lying on it.", "Say which it is in the plan file: [[rule]] role = \"drawn\" or \"laid\", near = [x, y] on it."),
    "drawn-untold": ("look", "{rules} looks printed with the plan, but a clear rule lying on the sheet would look the same, and then the millimetres are those of this copy.", "Say which it is in the plan file: [[rule]] role = \"drawn\" or \"laid\", near = [x, y] on it; or state a size that the plan gives, in [body] or as a [[span]]."),
    "drawn-left-out": ("look", "{rules} looks drawn, but is as long as the real rules on the sheet say, and the other drawn lengths are not: it was taken for a clear rule lying on the sheet.", "Say which it is in the plan file: [[rule]] role = \"drawn\" or \"laid\", near = [x, y] on it."),
    "copy-unchecked": ("look", "Only rules laid on the sheet were found: the millimetres are those of this copy, and copies are often 1-2 % off.", "State a size that the plan gives, in [body] length = \"...\" or as a [[span]]; where it agrees, this doubt is settled."),
    "stated-size-differs": ("look", "The plan states {what} {stated} mm; measured {measured} mm.", "Check the stated size and the rule."),
    # --- the print check
    "bad-tolerance": ("usage", "'{text}' is not a tolerance.", "Write a percentage or a length over the body, such as \"0.1 %\" or \"0.5 mm\"."),
    "turned-photo": ("usage", "{file} is a photo; only scans tell of a scanner.", "Give two scans of the sheet, or leave --turned out."),
    "turned-same-way": ("look", "{file} shows the sheet lying the same way round as the first scan, which tells nothing of the scanner.", "Turn the sheet half round on the glass, scan the whole glass again, and give that with --turned."),
    "turned-other-sheet": ("look", "{file} does not show the same sheet turned half round, or too little of it is alike.", "Scan the same sheet twice, whole, the second time turned half round on the glass, at the same settings."),
    "turned-cropped": ("look", "The two scans are {first} and {second} pixels, so where the glass begins in each is not known.", "Scan the whole glass both times, without automatic cropping, at the same resolution."),
    "scanner-uneven": ("look", "The scanner itself shows places of its glass up to {peak} mm off (most near {x}, {y} mm from the upper left corner), whatever sheet lies on it: {what}.", "Keep the body where the rules lie, in the middle of the glass; lay a real rule beside it over its whole length, or use another scanner."),
    "no-stated-size": ("refused", "Nothing on the sheet states a size that went through the copier, so there is nothing to hold the copy against.", "Give one: a drawn rule ([[rule]] role = \"drawn\"), two marked points ([[span]]), or [body] length = \"...\"; or photocopy a real rule beside the plan and scan that copy."),
    "drawn-unit-uncertain": ("refused", "No drawn length could be used. {why}", "{remedy}"),
    "roles-untold": ("look", "Every rule was taken as printed with the plan, because none was said to be a real one; a real rule lying on the sheet would look like this whatever the copier did.", "Say it in the plan file: [[rule]] role = \"drawn\" for what was printed with the plan, \"laid\" for a real rule, each with near = [x, y]."),
    "no-paper-scale": ("refused", "Nothing tells how large the copy itself is: no real rule lay on it, and {file} states no resolution.", "Lay a steel rule on the sheet, scan again, and tell which it is: [[rule]] role = \"laid\", near = [x, y]."),
    "which-is-laid": ("refused", "{first} and {second} disagree by {percent} %, and nothing tells which of them was printed with the plan.", "Say it of each in the plan file: [[rule]] near = {places} with role = \"drawn\" for what was printed, role = \"laid\" for a real rule that lay on the sheet."),
    "factor-implausible": ("refused", "The copy would be {x} % left to right and {y} % top to bottom of true size; no copier set to 100 % does that.", "Check the unit of every rule (\"mm\" or \"in\"), the length of every [[span]] or stated size, and the resolution of the file ({dpi}). If the sheet was enlarged or reduced on purpose, there is nothing to check."),
    "roles-swapped": ("look", "The rule called laid is {laid} % off the scanner's own scale and the one called drawn is not ({drawn} %): as if the two were swapped.", "Check role = \"drawn\" and \"laid\" in the plan file: drawn is what was printed with the plan, laid a real rule. Swapped, the percentages below are upside down."),
    "rules-same-kind": ("look", "The rules called drawn and laid agree with each other, yet both are {off} % off the scanner's own scale: as if both were printed, or both real.", "Check role in the plan file; if it is right, the scanner's stated resolution is wrong and nothing need be done."),
    "scanner-differs": ("note", "By the real rule the scanner is {off} % off the resolution that its file states, more than usual.", "Nothing to do if the picture was resized; else check that the rule's unit and role are right."),
    "copy-not-true": ("look", "The copy is not true to size: {what}.", "{ask}"),
    "copy-cannot-tell": ("look", "Whether the copy is true within {tolerance} cannot be told from this evidence: {why}.", "{how}"),
    "body-not-traced": ("note", "What the copy's error does to the body is not told, because its outline was not found: {why}", "{remedy}"),
    # --- symmetry and frame
    "no-centerline": ("look", "No drawn centerline was found; the axis comes from the outline alone.", "Check the overlay's centerline."),
    "axis-from-outline": ("note", "No drawn centerline was found; both halves agree, so the axis comes from the outline itself.", "Nothing to do; the overlay shows the axis."),
    "axes-disagree": ("look", "{which} and the outline's own axis differ by {offset_mm} mm and {angle_deg} degrees; x = 0 follows {used}.", "Check that the outline chosen is the body and how the halves differ in the report."),
    "ends-uncertain": ("look", "Tail and neck end could not be told apart with certainty.", "Check the overlay, where a triangle marks the neck and a square the tail. If they are the wrong way round, add neck = [x, y] to [body] in the plan file, any pixel at the neck end."),
    "halves-differ": ("look", "The halves differ by up to {max_mm} mm, more than drawing can explain; they were kept as drawn.", "Choose with body.keep = \"mean\", \"left\", \"right\" or \"as drawn\"."),
    "half-differs": ("look", "The {side} half reaches {size_mm} mm (± {u95_mm} mm) further out, {place}, over {length_mm} mm; that is more than the line's own unsteadiness.", "Look at that stretch on the sheet, decide which half is meant, and set keep under [body]; the page lists what each choice changes."),
    "half-differs-little": ("note", "The {side} half reaches {size_mm} mm (± {u95_mm} mm) further out, {place}, over {length_mm} mm: real, but less than a pencil line's width.", "Nothing to do unless the halves are to be alike to the tenth."),
    "half-on-purpose": ("note", "The {side} half reaches {size_mm} mm further out, {place}: drawn so on purpose. Only what both halves have in common was compared.", "Nothing to do; mirror only the common part."),
    "half-kink": ("look", "Flipped, the {side} half would make {what} of {kink_deg} degrees (± {u95_deg}) at the {end} end; its tip would stand {tip_mm} mm {way}.", "If the body is meant to be round there, make the template square to its straight edge at that end; if it has a point there, nothing to do."),
    "fair-moved": ("look", "Fairing moved the line by {moved_mm} mm, a mean over 10 mm of it, near ({x_mm}, {y_mm}) mm: more than the outline's own uncertainty, {u95_mm} mm.", "Look at the overlay there. If the line bends so, scan at a higher resolution or free it of whatever touches it; if it should not, nothing to do."),
    "half-not-single": ("refused", "The outline crosses the centerline {count} times, so the body has no single half.", "Look at the overlay; correct the centerline's ends or the outline with body.through."),
    # --- the photo
    "two-sheets": ("refused", "More than one sheet lies in the picture.", "Photograph one sheet at a time, the others out of the frame."),
    "sheet-outline": ("refused", "The paper does not have the outline of one flat sheet: the table shows inside it near {place} px. Another sheet lies against it, or a corner is rolled up or torn off.", "Photograph one sheet at a time, pressed flat, the others out of the frame. If it is one sheet, torn or cut, point to the body with body.near = [x, y]."),
    "sheet-gap": ("look", "The paper does not have the outline of one flat sheet: the table shows inside it near {place} px, or a thing as light as the table lies there.", "Check in the overlay that the body is the right one, and that the sheet lay flat."),
    "photo-no-rule": ("refused", "No graduated rule was found in the photo, so nothing fixes the scale.", "Lay a steel rule, 300 mm or longer, flat on the sheet beside the body with its graduations up and free of glare, fill the picture with the sheet, and photograph it again. If a rule is there, mark it with [[rule]] near = [x, y], or give a [[span]] of known length."),
    "photo-blurred": ("refused", "Too little can be read on any rule, and the photo is blurred by {px} pixels (1 sigma).", "Wipe the lens, touch the rule on the screen so that the camera focuses there, do not go nearer than it can focus, and photograph the sheet again."),
    "photo-moved": ("refused", "Too little can be read on any rule, and the camera moved: the photo is blurred by {px} pixels (1 sigma) one way and by {sharp_px} another.", "Rest the camera or both elbows on something, use the self-timer, have more light, and photograph the sheet again."),
    "photo-rule-too-short": ("refused", "The longest rule shows {length_mm} mm of graduations, too little to fix the {part} ({percent} %, 1 sigma).", "Lay a rule of 300 mm or longer on the sheet, and a second one or a try square at right angles to it, all their graduations in view, and photograph it again."),
    "photo-rule-short": ("look", "The longest rule shows only {length_mm} mm of graduations; whatever it is off counts several times over on a body.", "Lay a rule of 300 mm or longer on the sheet and photograph it again."),
    "photo-not-solved": ("refused", "No camera shows the rules and lines where they are seen.", "Check that every rule is straight and counted right; photograph the sheet again, flat and from straight above."),
    "photo-bent": ("refused", "The sheet is bent so far that its rules and lines fit no camera.", "Press the sheet flat, with glass or weights outside the outline, and photograph it again from further away."),
    "photo-lifted": ("refused", "The sheet is not flat: it rises by about {lift_mm} mm {where} (chance that noise alone looks so: {chance}), too far for what lies on it to be measured.", "Press the sheet flat there, with glass or weights outside the outline, and photograph it again from at least {stand_m} m."),
    "photo-bowed": ("refused", "The {side} side of the paper bows by {bow_mm} mm: the sheet is bent too far to be measured, or not cut straight.", "Press the sheet flat, with glass or weights outside the outline, and photograph it again from further away. If it is flat and only cut so, lay a straight strip of paper along that side first."),
    "photo-scale-open": ("refused", "Nothing in the photo fixes the {part} (1 sigma {percent} %).", "Lay a second rule square to the first, or a try square, on the sheet and photograph it again from straight above."),
    "photo-open-bent": ("refused", "The sheet is not flat: it rises by about {lift_mm} mm {where} (chance that noise alone looks so: {chance}); and nothing in the photo fixes the {part} (1 sigma {percent} %).", "Press the sheet flat there, with glass or weights outside the outline, lay a second rule square to the first, or a try square, on it, and photograph it again from straight above, at least {stand_m} m away."),
    "photo-rests": ("look", "In the photo the {part} ({percent} %, 1 sigma) rests on: {evidence}.", "Lay a second rule square to the first, or a try square, on the sheet and photograph it again from straight above."),
    "photo-strange": ("look", "Only an unusual lens or camera explains the photo.", "Check that every rule is counted right and lies flat, and that the picture was not cropped or zoomed; if it was not, photograph the sheet again."),
    "rules-or-bent": ("refused", "Either {first} is wrong by {percent} % or the sheet is not flat; the photo cannot tell which.", "Press the sheet flat, check the rule, and photograph it again from further away."),
    "rules-bent": ("look", "The known lengths disagree on a flat sheet; a bent sheet explains it better than a wrong rule.", "Press the sheet flat, check every rule, and photograph it again."),
    "one-picture": ("usage", "The plan file names {count} pictures; this command takes one.", "Name one picture in plan.image."),
    "photos-differ": ("look", "{first} and {second} differ by {mm} mm along the outline, more than both claim; the claim was widened by it.", "Press the sheet flat, check the rules in both photos, and take them again."),
    "photos-of-others": ("refused", "{first} and {second} do not show the same outline: {why}.", "Give photos of one sheet only. Where it shows several bodies, leave the photos out in which another one was taken."),
    "photo-two-ways": ("look", "Two different cameras explain the photo nearly as well; the uncertainty spans both.", "Photograph the sheet again with a rule along each of two edges."),
    "photo-angle": ("look", "The angle between {first} and {second} differs from what is stated by {off_deg} degrees.", "Check that the sheet or the square is true there; leave the angle out if it is not."),
    "sheet-not-flat": ("look", "The sheet is not flat: it rises by about {lift_mm} mm {where} (chance that noise alone looks so: {chance}).", "Press the sheet flat there, with glass or weights outside the outline, and photograph it again from at least {stand_m} m."),
    "side-bowed": ("look", "The {side} side of the paper bows by {bow_mm} mm: it is not cut straight, or the sheet is not flat.", "Hold a straightedge along that side. If the paper lies flat and is only cut so, check a width of the outline on the plan; if not, press the sheet flat and photograph it again."),
    "side-stepped": ("look", "The {side} side of the paper has a step of {step_mm} mm: another sheet lies against it, or a thing lies over its end.", "Photograph one sheet at a time, pressed flat, with nothing but rules over its edges."),
    "flatness-unseen": ("look", "The photo cannot show every lift of the sheet; one of up to 5 mm could move the outline by {harm_mm} mm unseen.", "Keep all four edges of the sheet in view, or its drawn frame, and lay the sheet under glass."),
    # --- the lens
    "bad-board": ("usage", "--corners {got} is no chessboard that can be used.", "Write how many inner corners it has each way, such as 9x6; three or more, and not as many both ways."),
    "lens-file-there": ("usage", "{file} is there already.", "Choose another name with --out, or add --replace."),
    "lens-file-name": ("usage", "A lens file is called something.toml, not {file}.", "Give such a name with --out."),
    "bad-lens-file": ("usage", "{file} is no lens file: {why}.", "Make it again with 'boutline lens', or correct plan.lens."),
    "lens-for-photos": ("usage", "{file}: a lens file is given, but the picture is said to be a scan.", "Take plan.lens out, or set plan.captured to \"photo\"."),
    "lens-shape": ("usage", "The lens file is for pictures of {lens} pixels; the photo has {photo}, in other proportions.", "Take the photo and the chessboard shots with the same camera settings and do not crop them."),
    "lens-other-camera": ("refused", "The photo's file tells a focal length of {photo} pixels, the lens file {lens}: the photo was taken by another camera or zoomed.", "Use the lens file of the camera that took the photo, and do not zoom; or take plan.lens out."),
    "lens-few-boards": ("refused", "The board was found in {found} of {shots} shots; {least} are needed. Without it: {without}.", "Check --corners (inner corners, 9x6 for 10 by 7 squares). Have the whole board in the picture with a light rim round it, sharp and evenly lit."),
    "lens-sizes": ("refused", "The shots are of different sizes: {sizes}.", "Take all shots with the same camera and settings, held the same way round, and do not crop them."),
    "lens-residual": ("refused", "The corners miss the board's places by {rms} px (rms); worst is {worst} with {most} px.", "Fix the board flat on glass or a stiff panel, take sharp shots without zoom, and leave poor ones out."),
    "lens-open": ("refused", "The shots leave the {part} open (1 sigma {percent} %).", "Tilt the camera by 20 to 40 degrees to the board, in four different directions at least, and bring the board into the corners of the picture."),
    "lens-middle": ("look", "The boards reach only {percent} % of the way to the picture's corners; beyond, the lens is not seen.", "Add shots with the board in each corner of the picture."),
    "lens-shot-left-out": ("note", "No board was found in {file}; it was left out.", "Nothing to do where enough shots remain."),
    "lens-same-shot": ("note", "{file} is the same picture as {other}; it counts once.", "Nothing to do where enough shots remain."),
    # --- the mold
    "not-an-outline": ("usage", "{file} holds no body outline: {why}.", "Give the outline.dxf or record.json that 'boutline outline' wrote, or a DXF with one closed polyline on a layer BODY."),
    "outline-senseless": ("usage", "By {file} the body would be {length} mm long, which no body is.", "Give the outline.dxf that 'boutline outline' wrote, or set the unit of the drawing ($INSUNITS) to the one that it is drawn in."),
    "outline-refused": ("refused", "The record {file} says that no outline was found.", "Settle its doubts with 'boutline outline' first."),
    "outline-changed": ("look", "{file} is not the outline that the record beside it was written for.", "If it was changed on purpose, check its size; else write it again with 'boutline outline'."),
    "outline-unsettled": ("look", "The outline itself was to be looked at: {codes}.", "Read its report, and settle the doubts before anything is cut."),
    "outline-unproven": ("note", "No record lies beside {file}, so nothing is known of how certain the outline is.", "Keep outline.dxf and record.json in one folder."),
    "no-room-for-dowels": ("refused", "Near the {end} end the wall has no room for a {diameter} mm dowel hole with {edge} mm of wood round it.", "Make the wall or the tabs wider, or the dowels thinner: [mold] wall, tab, tab_width; [dowels] diameter, edge."),
    "part-check": ("refused", "{part} is not as it must be: {why}.", "Nothing was kept. Please report this with the outline and the job file."),
    "part-left-out": ("look", "{part} was left out: {why}.", "{how}"),
    "wall-filled": ("note", "The wall closes over a gap in the outline's outside; it is filled there.", "Nothing to do; a thinner wall would follow the outline."),
    "setting-unusual": ("look", "{what} is {size} mm: {why} (common practice, no source).", "If that is meant, look at the parts before any is cut; else change it in the job file: {key}."),
    "tool-too-large": ("note", "A {tool} cannot follow the mold's inside everywhere: near x = {x}, y = {y} mm it leaves up to {left} mm.", "Use a smaller one there, or finish by hand: a file, a chisel, a smaller drum."),
    "blade-too-wide": ("note", "A band-saw blade {width} mm wide saws bends down to a radius of about {radius} mm (common practice); the tightest here is {tightest} mm.", "Use a narrower blade there, or make relief cuts; follow the saw's manual."),
    "bend-tight": ("note", "The tightest outward bend has a radius of {radius} mm; sides are hard to bend below 40 mm (common practice, no source).", "Bend that stretch with care, over a thinner pipe, or join the side there."),
    "stock-too-small": ("look", "{part} fits on none of the sheets.", "Give larger ones: [sheet] stock."),
    "stock-used-up": ("look", "The sheets given do not hold all parts; {count} were left over.", "Give more: [sheet] stock."),
    # --- the cut part
    "cut-photo": ("refused", "A photo of a cut part shows its wall, and the part's face lies nearer to the camera than the paper.", "Give --thickness, the height of the part's face above the paper it lies on; or scan the part."),
    "cut-is-template": ("note", "The piece is a hollow form: its inner edge was taken for the half outline, and its two feet for the centerline.", "Nothing to do. If it is the body itself, have its whole straight edge in view."),
    "cut-not-half": ("refused", "No solid half on one straight edge was found in the picture: {why}.", "Scan or photograph a solid half of the body, or a template whose inner edge is the half outline and whose two feet end on the centerline, whole, with a ground of another tone all round it."),
    "cut-edge-straight": ("note", "The straight edge leaves a line by {bow_mm} mm at most: flipped on it, the body's width is off by up to {width_mm} mm there.", "Nothing to do."),
    "fit-not-found": ("refused", "The outline's half was not found in the picture, either way up: nowhere do edges run along most of it.", "Check that the part and the outline belong together, and measure its length: one more than some 4 % off in size as a whole is not found. Scan or photograph the part flat and whole, a millimetre or more clear of the rules, on a ground much lighter or darker than its edge."),
    "fit-side": ("refused", "On which side of the outline the part's material is cannot be told: a straight edge shows along {within} % of the centerline between tail and neck, and along {beyond} % beyond them.", "Say it with --material inside (the body itself, or a solid half of it) or --material outside (a template or mold layer whose inner edge is the outline)."),
    "fit-no-straight-edge": ("refused", "No straight edge was found for the part to be held to.", "Fit it freely, without --hold edge, or have its straight edge in view on a ground of another tone."),
    "fit-no-dowels": ("refused", "No dowel hole of {diameter} mm was found near the {end} end, {place}.", "Give the mold's own job file with --job, and the whole part with its holes open on a ground of another tone; or fit without --hold dowels."),
    "fit-by-dowels": ("note", "Held to its dowel holes; along its edge alone the part would lie up to {off_mm} mm elsewhere at them. The holes are {apart_mm} mm {way} than in the mold.", "Nothing to do where both are small; else drill one hole anew, or true the edge to the holes."),
    "part-is-line": ("refused", "What runs along the outline has the same tone on both sides, and is no even, dark line either: it may be the rim of a clear part.", "Lay the part on a ground of another tone, or a clear one on dark paper with its own paper still on it. Draw a half in one dark line of one pen."),
    "line-taken": ("look", "A dark line, {wide_mm} mm wide, with the same tone on both sides runs along the outline; it was taken for a drawn one, its {edge} measured.", "If it is drawn, say so with --drawn. If it is the rim of a clear part, lay that on dark paper with its own paper still on it."),
    "line-measured": ("note", "The part is a drawn line, {wide_mm} mm wide; its {edge} was measured.", "Nothing to do. In a plan file, line = \"outer\" or \"inner\" measures the other edge of its ink, as when it was traced along something."),
    "line-is-part": ("refused", "What runs along the outline is the edge of something that has another tone than its ground, not a line.", "Leave out --drawn for a cut part; a half drawn on paper needs paper of one tone on both sides of its line."),
    "line-off": ("look", "The line runs {size_mm} mm (± {u95_mm} mm) {way} the outline over {length_mm} mm, {place}.", "Draw that stretch again before anything is cut to it."),
    "line-no-centerline": ("look", "No drawn centerline was found, so nothing is known of the width of a body flipped on it.", "Draw the centerline from the tail end to the neck end of the half."),
    "part-hidden": ("refused", "Less than half of the part's edge shows.", "Clear what lies over it or beside it, use a ground much lighter or darker than the part's edge, and take the picture again."),
    "part-not-followed": ("look", "The part's edge could not be followed for {longest_mm} mm on end ({percent} % of it was); nothing is claimed there.", "Clear what hides it, or use a ground of another tone, and take the picture again."),
    "fit-either-half": ("look", "The part fits both halves of the outline nearly as well; it was taken for the {half} one.", "Say which with --half left or --half right."),
    "fit-either-way": ("look", "The part fits the outline nearly as well turned over, tail for neck: which way up it lies cannot be told from its edge.", "Mark the tail end on the part, and look in the overlay which end is which before anything is sanded."),
    "part-face-down": ("note", "The part lies face down: as seen here it is the mirror image of the {half} half. Places are told as on its face.", "Nothing to do; turn the true-size page over with it, or lay the part on it face up."),
    "part-as-half": ("note", "The halves of the outline are alike; the part lies as the {half} one does when seen with the neck up.", "Nothing to do. If it is the other half, it lies face down: say so with --half {other}."),
    "part-proud": ("look", "The part stands proud by {size_mm} mm (± {u95_mm} mm) over {length_mm} mm, {place}.", "Sand it there to the line, check again."),
    "part-hollow": ("look", "The part is too far gone by {size_mm} mm (± {u95_mm} mm) over {length_mm} mm, {place}.", "What is gone does not come back: fill it there and shape it again, or cut a new part."),
    "part-near-limit": ("look", "The part is {word} by {size_mm} mm (± {u95_mm} mm) over {length_mm} mm, {place}; whether that is within {tolerance_mm} mm cannot be told for certain.", "Look at that stretch against the true-size page."),
    "part-may-be-off": ("look", "Whether the part is within {tolerance_mm} mm cannot be told everywhere: near {place} it is {off_mm} mm off, known to ± {u95_mm} mm.", "Scan it at a higher resolution, use a rule whose class is told, or allow a wider --tolerance."),
    "part-whole-size": ("look", "The whole {thing} is {percent} % {way} than the outline (± {u95} %), {mm} mm over the body's length. Its single places are off because of that.", "Do not {work} single places: it would not come true. Most likely what it was made from was not printed at 100 %, or is a copy that is off: measure the check lines of that print, or scan it and check it with 'boutline print-check'. Print it again at 100 %, without fitting to the page, and {again}. If that print is true, check the unit of the rules beside the {thing} ([[rule]] unit), and that the outline is the one it was made from."),
    "part-size": ("look", "The whole part is {percent} % {way} than the outline, by up to {mm} mm; that is more than the rules' own uncertainty explains.", "Check that the rules lie flat and what class they are; then measure the part's greatest width by hand."),
    "part-size-unknown": ("look", "The size of the whole part is known to ± {mm} mm only, however true its shape is.", "Lay rules of 300 mm or longer both ways beside the part, and tell their class in the plan file: [[rule]] role = \"laid\", grade = \"I\"."),
    "part-edge-off": ("look", "The straight edge lies {offset_mm} mm {way} the centerline at the {end} end: flipped on it, the body's width there is {width_mm} mm {wider} (± {u95_mm} mm).", "True the straight edge on a plane or a jointer, or keep to it and shift the outline: fit again with --hold edge."),
    "part-edge-bowed": ("look", "The straight edge is not straight: it leaves a line by {bow_mm} mm; flipped on it, the body's width is off by up to {width_mm} mm there.", "True it on a plane or a jointer; every error of it counts twice in the flipped width."),
    "part-edge-unseen": ("look", "No straight edge was found, so nothing is known of the width of a body flipped on it.", "Have the part's straight edge in view on a ground of another tone."),
    "part-square": ("note", "That the picture's two directions are square to each other rests on what flatbed scanners are (0.1 degree, 1 sigma).", "A third rule on the slant would prove it; or scan the part again, turned by a quarter, and compare."),
    "part-thickness": ("look", "How thick the part is was not told: its face is nearer to the camera than the paper is, and each millimetre makes it seem larger by one part in {stand}.", "Give --thickness, the height of the part's face above the paper it lies on."),
    "part-parallax": ("note", "The part's face is {thickness} mm nearer to the camera than the paper; {percent} % was taken off its size. Where its wall shows below the edge, that edge is less certain, and counted so.", "Nothing to do. To be surer, scan the part, or photograph it from further away and from straight above its middle."),
    "parts-differ": ("look", "The two parts differ by {size_mm} mm (± {u95_mm} mm) over {length_mm} mm, {place}: {name} stands further out.", "Sand the one that stands proud of the outline there; clamp both together and sand across where neither does."),
    "parts-unlike": ("refused", "{name} is no counterpart: it is not cut on the same side of the same half outline.", "Give two templates, two mold layers or two solid halves of one outline, each with rules in view."),
    # --- the files written
    "file-check": ("refused", "{file} did not measure as written: {why}.", "Nothing was kept. Please report this with the plan."),
    "not-certain-enough": ("look", "The outline is only certain to {u95} mm.", "Scan at a higher resolution, or with more and longer rules; of rules laid on the sheet, tell the class and the thickness; put a span's ends on the middle of crosses, where they are found to a part of a pixel."),
}


def doubt(code: str, **facts: object) -> Doubt:
    """Return the entry ``code`` with its sentence and remedy filled from ``facts``.

    Raises:
        KeyError: the code is unknown or a fact of its sentence is missing.
    """
    weight, text, remedy = TABLE[code]
    return Doubt(code, weight, text.format(**facts), remedy.format(**facts))
