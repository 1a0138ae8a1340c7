// The main of every test program, for Catch2 v2 and v3 alike.
#ifdef AMPMARSHAL_CATCH_3
#include <catch2/catch_session.hpp>
#else
#define CATCH_CONFIG_RUNNER
#include <catch2/catch.hpp>
#endif

int main(int argc, char** argv) {
    return Catch::Session().run(argc, argv);
}
