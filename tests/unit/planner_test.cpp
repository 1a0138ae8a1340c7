// A plan against the Marshal itself: it is asked, event by event, for what the planner foretold, on random
// rigs. And against brute force over every set and every order.
#include "daemon/plan/planner.h"

#include <algorithm>
#include <bit>
#include <random>

#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal;
using namespace ampmarshal::stand;
using daemon::plan::Loads;
using daemon::plan::Planner;

namespace {

double between(std::mt19937& random, double least, double most) {
    return std::uniform_real_distribution(least, most)(random);
}

/// One leg, or two; a breaker, a generator or an inverter; heaters and motors. What a start adds is far from
/// what others add, so that the Marshal cannot mistake one load for another.
Rig random_rig(std::mt19937& random, std::size_t loads) {
    const bool two = random() % 3 == 0;
    const LegSet legs = two ? LegSet::both() : LegSet(Leg::l1);
    const Feed feed = !two ? Feed::one_leg : random() % 2 == 0 ? Feed::two_legs : Feed::shared_by_legs;
    std::vector<Source> sources{breaker(15 + 5 * static_cast<double>(random() % 5), feed)};
    if (random() % 2 == 0) sources[0] = generator(between(random, 2000, 5000), 6500, feed);
    std::vector<Load> all;
    for (std::size_t i = 0; i < loads; ++i) {
        const int rank = static_cast<int>(i) + 1;
        const LegSet on = two && random() % 2 == 0 ? LegSet(Leg::l2) : LegSet(Leg::l1);
        const double running_a = between(random, 2, 14);
        const std::string id = "load-" + std::to_string(rank);
        Load load = resistive(id, rank, running_a, on);
        if (random() % 2 == 0)
            load.stages = {{"motor", running_a * between(random, 1.5, 5), 500ms, running_a, 1s}};
        all.push_back(std::move(load));
    }
    if (random() % 2 == 0) all.push_back(observed("seen", between(random, 2, 6)));
    std::shuffle(all.begin(), all.end(), random);
    return rig_of(std::move(sources), std::move(all), legs);
}

Loads controlled(const Rig& rig) {
    Loads all;
    for (LoadIndex i = 0; i < rig.loads.size(); ++i)
        if (rig.loads[i].controlled()) all.push_back(i);
    return all;
}

PerLeg<double> flowing_a(const Rig& rig, const Loads& running) {
    PerLeg<double> sum_a;
    for (LoadIndex i : running)
        add(sum_a, rig.loads[i].legs, rig.loads[i].running_a());
    return sum_a;
}

/// The Marshal on a stand, told which loads are wanted, with meters that show what it lets run.
class Asked {
  public:
    explicit Asked(const Rig& rig) : rig_(unwanted(rig)), stand_(rig_) {
        stand_.send(LinkChanged{stand_.now, true});
        read(200s);
    }

    /// It is wanted from now on. What it is granted starts, settles and warms the source.
    bool grants(LoadIndex load) {
        stand_.send(DemandChanged{stand_.now, load, true});
        for (int i = 0; i < 20 && !stand_.on(load); ++i)
            read(100ms);
        if (!stand_.on(load)) return false;
        PerLeg<double> start_a = flowing_a(rig_, running_);
        add(start_a, rig_.loads[load].legs, rig_.loads[load].start_a(0));
        stand_.read(start_a[Leg::l1], 200ms, start_a[Leg::l2]);
        running_.push_back(load);
        read(600s);
        return true;
    }
    void no_longer(LoadIndex load) {
        stand_.send(DemandChanged{stand_.now, load, false});
        read(5s);
    }
    bool all_run() const {
        return std::all_of(running_.begin(), running_.end(), [&](LoadIndex i) { return stand_.on(i); });
    }
    std::string why(LoadIndex load) const { return stand_.why(load); }

  private:
    static Rig unwanted(Rig rig) {
        for (Load& load : rig.loads)
            load.wanted_at_start = false;
        return rig;
    }
    void read(Duration for_) {
        const PerLeg<double> level_a = flowing_a(rig_, running_);
        stand_.read(level_a[Leg::l1], for_, level_a[Leg::l2]);
    }

    Rig rig_;
    Stand stand_;
    Loads running_;
};

bool by_permutation(const Planner& planner, Loads set) {
    std::sort(set.begin(), set.end());
    if (planner.stay(set)) return false;
    do {
        bool all = true;
        for (std::size_t i = 0; i < set.size() && all; ++i)
            all = !planner.start(set[i], std::span(set.data(), i));
        if (all) return true;
    } while (std::next_permutation(set.begin(), set.end()));
    return false;
}

}  // namespace

TEST_CASE(
    "The Marshal grants what is planned, in the planned order, and refuses what is left out, for the same "
    "reason") {
    int granted = 0;
    int refused = 0;
    for (unsigned seed = 1; seed <= 25; ++seed) {
        CAPTURE(seed);
        std::mt19937 random(seed);
        const Rig rig = random_rig(random, 4);
        const Planner planner(rig, 0, {});
        const Loads wanted = controlled(rig);
        const auto order = planner.order(planner.best(wanted));
        REQUIRE(order);
        Asked marshal(rig);
        for (LoadIndex i : *order) {
            CAPTURE(rig.loads[i].id);
            CHECK(marshal.grants(i));
            ++granted;
        }
        CHECK(marshal.all_run());
        for (LoadIndex i : wanted) {
            if (std::find(order->begin(), order->end(), i) != order->end()) continue;
            const auto why = planner.start(i, *order);
            // Where it fits behind all of higher rank, the Marshal lets it push out the lower ones.
            const bool is_last = std::all_of(order->begin(), order->end(), [&](LoadIndex on) {
                return rig.loads[on].rank < rig.loads[i].rank;
            });
            if (!why || !is_last) continue;
            CAPTURE(rig.loads[i].id);
            CHECK_FALSE(marshal.grants(i));
            CHECK(marshal.why(i) == word(why->kind));
            marshal.no_longer(i);
            ++refused;
        }
    }
    CHECK(granted >= 25);
    CHECK(refused >= 10);
}

TEST_CASE("An order is found if, and only if, some order works") {
    int found = 0;
    int none = 0;
    for (unsigned seed = 100; seed < 130; ++seed) {
        CAPTURE(seed);
        std::mt19937 random(seed);
        const Rig rig = random_rig(random, 5);
        const Planner planner(rig, 0, {});
        const Loads all = controlled(rig);
        for (unsigned bits = 1; bits < 1U << all.size(); ++bits) {
            Loads set;
            for (std::size_t i = 0; i < all.size(); ++i)
                if ((bits >> i & 1U) != 0) set.push_back(all[i]);
            const bool possible = by_permutation(planner, set);
            CHECK(planner.order(set).has_value() == possible);
            ++(possible ? found : none);
        }
    }
    CHECK(found > 100);
    CHECK(none > 100);
}

TEST_CASE("The best set by rank is the best of all sets") {
    for (unsigned seed = 200; seed < 240; ++seed) {
        CAPTURE(seed);
        std::mt19937 random(seed);
        const Rig rig = random_rig(random, 7);
        const Planner planner(rig, 0, {});
        Loads by_rank = controlled(rig);
        std::sort(by_rank.begin(), by_rank.end(),
                  [&](LoadIndex a, LoadIndex b) { return rig.loads[a].rank < rig.loads[b].rank; });
        // Rank 1 is worth more than all below it together, and so on.
        unsigned best = 0;
        for (unsigned worth = 0; worth < 1U << by_rank.size(); ++worth) {
            Loads set;
            for (std::size_t i = 0; i < by_rank.size(); ++i)
                if ((worth >> (by_rank.size() - 1 - i) & 1U) != 0) set.push_back(by_rank[i]);
            if (planner.order(set)) best = worth;
        }
        unsigned planned = 0;
        for (LoadIndex i : planner.best(by_rank))
            planned |= 1U << (by_rank.size() - static_cast<std::size_t>(rig.loads[i].rank));
        CHECK(planned == best);
    }
}

TEST_CASE("A big start goes first where it fits only on an idle source") {
    const Rig rig =
        rig_of({generator(4000, 6000)}, {resistive("heater", 1, 12), air_conditioner("cooler", 2, 40, 9)});
    const Planner planner(rig, 0, {});
    CHECK(planner.start(1, Loads{0}));
    CHECK(planner.order(Loads{0, 1}) == Loads{1, 0});
}

TEST_CASE("A line that sags keeps a motor from starting, and no heater") {
    const Rig rig = rig_of({breaker(30)}, {air_conditioner("cooler", 1, 40, 9), resistive("heater", 2, 10)});
    // 40 + 2 A through 0.4 ohm take 16.8 V from 120 V: 103.2 V, under the 103.5 V of NEMA MG 1, 12.44.
    const Planner thin(rig, 0, {.background_a = 0, .loop_ohm = 0.4});
    const auto why = thin.start(0, {});
    REQUIRE(why);
    CHECK(why->kind == ReasonKind::voltage_too_low);
    CHECK(why->line_v == Approx(103.2));
    CHECK_FALSE(thin.start(1, {}));
    CHECK_FALSE(Planner(rig, 0, {.background_a = 0, .loop_ohm = 0.39}).start(0, {}));
}

TEST_CASE("What is observed is kept room for until it runs, and pushes the lowest ranks out when it does") {
    const Rig rig = rig_of({breaker(20)},
                           {resistive("heater", 2, 9), resistive("fridge", 1, 3), observed("microwave", 12)});
    const Planner planner(rig, 0, {});
    CHECK(planner.best(Loads{0, 1}) == Loads{1, 0});
    CHECK(planner.shed_of(Loads{0, 1, 2}) == Loads{0});
    CHECK(planner.best(Loads{0, 1, 2}) == Loads{2, 1});
}

TEST_CASE("A 240 V load is left out where there is one conductor") {
    const Rig rig = rig_of({breaker(30, Feed::shared_by_legs)}, {resistive("dryer", 1, 5, LegSet::both())},
                           LegSet::both());
    const Planner planner(rig, 0, {});
    CHECK(planner.start(0, {})->kind == ReasonKind::not_served);
    CHECK(planner.best(Loads{0}).empty());
}
