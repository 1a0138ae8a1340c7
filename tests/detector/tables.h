// The tables of docs/detection.md, each printed as Markdown.
#pragma once

#include "tests/detector/synthetic_starts.h"

namespace ampmarshal::detector {

/// What the Marshal makes of starts whose truth is known, by meters of many periods.
void print_starts(Meter meter);

/// How often honest histories of starts raise an alarm, and how soon one is told of what has really grown.
void print_drift();

/// What becomes of a start current that is configured much too high, and how often a start exceeds it then.
void print_lowering();

}  // namespace ampmarshal::detector
