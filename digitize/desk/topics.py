"""Which of the page's questions a doubt belongs to; what is in none of these is told with what comes out."""

from __future__ import annotations

SIZE = (
    "no-rule unit-uncertain unit-contradicted rule-left-out rules-disagree one-direction rule-nonlinear feed-evened "
    "dpi-disagrees shear-assumed photo-no-rule photo-rule-too-short photo-rule-short photo-not-solved "
    "photo-scale-open photo-open-bent photo-rests photo-strange photo-two-ways photo-angle rules-or-bent rules-bent "
    "drawn-or-laid drawn-left-out sheet-not-flat flatness-unseen photo-bent photo-lifted photo-bowed side-bowed "
    "lens-other-camera stated-size-differs size-unusual drawn-untold card-not-found card-disagrees card-alone "
    "size-alone"
)
BODY = (
    "no-outline several-bodies other-body curves-elsewhere outline-off-sheet bridged merged-line "
    "alternative-line uncertain-turn empty-page other-pages two-sheets side-stepped sheet-outline sheet-gap "
    "photo-blurred photo-moved too-small not-certain-enough along-rule"
)
HALVES = (
    "half-doubtful half-closed no-centerline axis-from-outline axes-disagree ends-uncertain halves-differ "
    "half-not-single"
)
COPY = "copy-one-way copy-unchecked sheet-unchecked card-disagrees-plan"

TOPICS = {
    code: topic
    for topic, codes in (("size", SIZE), ("body", BODY), ("halves", HALVES), ("copy", COPY))
    for code in codes.split()
}
