// Plans against GLPK, the GNU Linear Programming Kit, which knows nothing of our search: which loads run and
// in which order is put to it as a mixed-integer model. The limits in it are written down anew, in closed
// form. And what a cord does against the resistivity of copper.
#include <glpk.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <memory>
#include <random>

#include "daemon/plan/cord.h"
#include "daemon/plan/planner.h"
#include "tests/support/catch.h"
#include "tests/support/marshal_stand.h"

using namespace ampmarshal;
using namespace ampmarshal::stand;
using daemon::plan::cord_loop_ohm;
using daemon::plan::Loads;
using daemon::plan::Planner;

namespace {

constexpr double window_s = 0.5;

/// Motors on two legs, some on both, behind one breaker a leg that may carry its rating all day.
Rig random_rig(std::mt19937& random, std::size_t loads) {
    const auto between = [&](double least, double most) {
        return std::uniform_real_distribution(least, most)(random);
    };
    std::vector<Load> all;
    for (std::size_t i = 0; i < loads; ++i) {
        const LegSet sets[] = {LegSet(Leg::l1), LegSet(Leg::l2), LegSet::both()};
        Load load = resistive("load-" + std::to_string(i), static_cast<int>(i) + 1, between(2, 12),
                              sets[random() % 3]);
        const double running_a = load.stages[0].running_a;
        load.stages = {{"motor", running_a + between(0, 60), from_seconds(window_s), running_a, 1s}};
        all.push_back(std::move(load));
    }
    BreakerPlate plate{.rating_a = 20};
    plate.continuous_share = 1;
    return rig_of({compile("breaker", "breaker", 120, Feed::two_legs, plate)}, std::move(all),
                  LegSet::both());
}

/// The most that may run on the leg when this start begins: with the image settled at (b / R)^2, half a
/// second at b + s must leave it under 0.92, and b + s under 97 % of 3 R. tau is from IEC 60898-1: 2.55 R
/// trips in 1 s.
double most_before_a(const Load& load, double rating_a) {
    const double tau_s = 1 / std::log(2.55 * 2.55 / (2.55 * 2.55 - 1));
    const double share = 1 - std::exp(-window_s / tau_s);
    const double start_a = load.stages[0].start_a;
    const double in_root = start_a * start_a * share * (share - 1) + 0.92 * rating_a * rating_a;
    return std::min(0.97 * 3 * rating_a - start_a, std::sqrt(in_root) - start_a * share);
}

/// The most of a linear form over integers, put together row by row.
class Model {
  public:
    Model() : problem_(glp_create_prob(), &glp_delete_prob) {
        glp_term_out(GLP_OFF);
        glp_set_obj_dir(problem_.get(), GLP_MAX);
    }
    int binary() {
        const int column = glp_add_cols(problem_.get(), 1);
        glp_set_col_kind(problem_.get(), column, GLP_BV);
        return column;
    }
    int share() {
        const int column = glp_add_cols(problem_.get(), 1);
        glp_set_col_bnds(problem_.get(), column, GLP_DB, 0, 1);
        return column;
    }
    void worth(int column, double value) { glp_set_obj_coef(problem_.get(), column, value); }
    struct Term {
        int column;
        double factor;
    };
    void at_most(const std::vector<Term>& terms, double bound) { row(terms, GLP_UP, bound); }
    void exactly(const std::vector<Term>& terms, double value) { row(terms, GLP_FX, value); }
    bool solve() {
        glp_iocp options;
        glp_init_iocp(&options);
        options.presolve = GLP_ON;
        return glp_intopt(problem_.get(), &options) == 0 && glp_mip_status(problem_.get()) == GLP_OPT;
    }
    bool chosen(int column) const { return glp_mip_col_val(problem_.get(), column) > 0.5; }

  private:
    void row(const std::vector<Term>& terms, int kind, double bound) {
        std::vector<int> columns{0};  // GLPK counts from 1
        std::vector<double> factors{0};
        for (const Term& term : terms) {
            columns.push_back(term.column);
            factors.push_back(term.factor);
        }
        const int index = glp_add_rows(problem_.get(), 1);
        glp_set_row_bnds(problem_.get(), index, kind, bound, bound);
        glp_set_mat_row(problem_.get(), index, static_cast<int>(terms.size()), columns.data(),
                        factors.data());
    }
    std::unique_ptr<glp_prob, decltype(&glp_delete_prob)> problem_;
};

/// Ranks of the best set, by GLPK.
std::vector<int> best_by_glpk(const Rig& rig, double rating_a) {
    const std::size_t n = rig.loads.size();
    Model model;
    std::vector<int> runs(n);
    std::vector<std::vector<int>> before(n, std::vector<int>(n));
    std::vector<std::vector<int>> runs_before(n, std::vector<int>(n));
    for (std::size_t i = 0; i < n; ++i) {
        runs[i] = model.binary();
        model.worth(runs[i], std::pow(2, static_cast<double>(n - 1 - i)));
        for (std::size_t j = 0; j < n; ++j) {
            if (i == j) continue;
            before[i][j] = model.binary();
            runs_before[i][j] = model.share();
        }
    }
    for (std::size_t i = 0; i < n; ++i)
        for (std::size_t j = 0; j < n; ++j) {
            if (i == j) continue;
            if (i < j) model.exactly({{before[i][j], 1}, {before[j][i], 1}}, 1);
            model.at_most({{runs[i], 1}, {before[i][j], 1}, {runs_before[i][j], -1}}, 1);
            for (std::size_t k = 0; k < n; ++k)
                if (k != i && k != j)
                    model.at_most({{before[i][j], 1}, {before[j][k], 1}, {before[i][k], -1}}, 1);
        }
    for (Leg leg : all_legs) {
        std::vector<Model::Term> all;
        for (std::size_t i = 0; i < n; ++i) {
            if (!rig.loads[i].legs.contains(leg)) continue;
            all.push_back({runs[i], rig.loads[i].running_a()});
            const double cap_a = most_before_a(rig.loads[i], rating_a);
            constexpr double plenty_a = 1000;
            std::vector<Model::Term> terms{{runs[i], plenty_a}};
            for (std::size_t j = 0; j < n; ++j)
                if (j != i && rig.loads[j].legs.contains(leg))
                    terms.push_back({runs_before[j][i], rig.loads[j].running_a()});
            model.at_most(terms, cap_a + plenty_a);
        }
        model.at_most(all, 0.97 * 0.95 * rating_a);
    }
    REQUIRE(model.solve());
    std::vector<int> ranks;
    for (std::size_t i = 0; i < n; ++i)
        if (model.chosen(runs[i])) ranks.push_back(rig.loads[i].rank);
    return ranks;
}

}  // namespace

TEST_CASE("GLPK finds the same best set as the plan") {
    using Clock = std::chrono::steady_clock;
    Clock::duration ours{};
    Clock::duration theirs{};
    for (unsigned seed = 1; seed <= 30; ++seed) {
        CAPTURE(seed);
        std::mt19937 random(seed);
        const Rig rig = random_rig(random, 6);
        Loads all;
        for (LoadIndex i = 0; i < rig.loads.size(); ++i)
            all.push_back(i);
        const auto began = Clock::now();
        const Loads best = Planner(rig, 0, {}).best(all);
        const auto between = Clock::now();
        const std::vector<int> solved = best_by_glpk(rig, 20);
        theirs += Clock::now() - between;
        ours += between - began;
        std::vector<int> ranks;
        for (LoadIndex i : best)
            ranks.push_back(rig.loads[i].rank);
        CHECK(ranks == solved);
    }
    std::printf("GLPK took %.0f times as long as the plan\n",
                static_cast<double>(theirs.count()) / static_cast<double>(ours.count()));
}

TEST_CASE("A plan of 24 loads leaves nobody out who would fit behind the higher ranks") {
    std::mt19937 random(24);
    const Rig rig = random_rig(random, 24);
    Loads all;
    for (LoadIndex i = 0; i < rig.loads.size(); ++i)
        all.push_back(i);
    const Planner planner(rig, 0, {});
    const Loads best = planner.best(all);
    REQUIRE(planner.order(best));
    // Nobody who was left out could be added behind those of higher rank.
    for (LoadIndex i : all) {
        if (std::find(best.begin(), best.end(), i) != best.end()) continue;
        Loads higher;
        for (LoadIndex j : best)
            if (rig.loads[j].rank < rig.loads[i].rank) higher.push_back(j);
        higher.push_back(i);
        CHECK_FALSE(planner.order(higher));
    }
}

TEST_CASE("A cord's resistance is that of copper") {
    // ASTM B258: the diameter of n AWG is 0.127 mm x 92^((36 - n) / 39). IEC 60028: annealed copper has
    // 1/58 ohm mm2/m at 20 degC and 0.00393 per kelvin. Stranding adds about 2 % (NEC chapter 9, table 8).
    for (int awg : {18, 16, 14, 12, 10, 8, 6, 4, 3, 2}) {
        const double diameter_mm = 0.127 * std::pow(92, (36.0 - awg) / 39);
        const double area_mm2 = 3.14159265 * diameter_mm * diameter_mm / 4;
        const double ohm_per_m = 1.02 / 58 * (1 + 0.00393 * 55) / area_mm2;
        CAPTURE(awg);
        const auto cord = cord_loop_ohm(std::to_string(awg) + "AWG,50m");
        REQUIRE(cord);
        CHECK(*cord == Approx(100 * ohm_per_m).epsilon(0.015));
    }
    // NEC chapter 9, table 8: 12 AWG stranded, 1.98 ohm per 1000 ft.
    CHECK(cord_loop_ohm("12AWG,100ft").value_or(0) == Approx(0.396));
}

TEST_CASE("A cord that is not understood is refused") {
    for (const char* text :
         {"", "12", "12AWG", "12AWG,", "12AWG,100", "12AWG,100yd", "12awg,100ft", "13AWG,100ft", "12AWG,-1ft",
          "12AWG,nanft", "12AWG,1e9ft", "AWG,100ft", "12AWG,0m"}) {
        CAPTURE(text);
        CHECK_FALSE(cord_loop_ohm(text));
    }
}
