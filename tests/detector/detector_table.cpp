#include <array>
#include <cstdio>
#include <string_view>

#include "tests/detector/tables.h"

int main(int argc, char** argv) {
    using namespace ampmarshal::detector;
    struct Table {
        std::string_view word;
        void (*print)();
    };
    const std::array<Table, 5> tables{{{"spot", [] { print_starts(Meter::spot); }},
                                       {"averaging", [] { print_starts(Meter::averaging); }},
                                       {"holding", [] { print_starts(Meter::holding); }},
                                       {"drift", print_drift},
                                       {"lowering", print_lowering}}};
    for (const Table& table : tables) {
        if (argc != 2 || table.word != argv[1]) continue;
        table.print();
        return 0;
    }
    std::fprintf(stderr, "usage: %s spot|averaging|holding|drift|lowering\n", argv[0]);
    return 2;
}
