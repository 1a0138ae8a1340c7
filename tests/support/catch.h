// One include for both Catch2 v2 and v3. Tests write Approx unqualified.
#pragma once

#ifdef AMPMARSHAL_CATCH_3
#include <catch2/catch_all.hpp>
using Catch::Approx;
#else
#include <catch2/catch.hpp>
#endif
