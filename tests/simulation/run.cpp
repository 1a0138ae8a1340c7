#include "tests/simulation/run.h"

#include <algorithm>

namespace ampmarshal::tests {

namespace {

using namespace std::chrono_literals;
using rules::Duration;
using rules::Instant;

constexpr Duration looks_every = 10s;

void write_down(const Mischief::Change& change, const SimulatedRig& rig, std::FILE* trace) {
    if (trace == nullptr) return;
    std::fprintf(trace, "%9.2f FAULT  | %s: %s\n", rules::seconds(rig.now().time_since_epoch()),
                 change.begins ? "begins" : "ends", describe(*change.fault).c_str());
}

template <class Item>
std::vector<Item> without(const std::vector<Item>& all, std::size_t from, std::size_t count) {
    std::vector<Item> rest(all.begin(), all.begin() + static_cast<std::ptrdiff_t>(from));
    const std::size_t after = std::min(from + count, all.size());
    rest.insert(rest.end(), all.begin() + static_cast<std::ptrdiff_t>(after), all.end());
    return rest;
}

/// With less in it a case may take longer to break.
Duration with_some_more(Duration lived) {
    return lived + lived / 4 + 1min;
}

class Shrinker {
  public:
    Shrinker(Case broken, const Broken& how, int tries)
        : smallest_(std::move(broken)), rule_(how.rule), lived_(how.at - Instant{}), tries_(tries) {
        smallest_.time = std::min(smallest_.time, with_some_more(lived_));
    }

    Case shrink() {
        for (std::size_t size_before = 0; size_before != size() && tries_ > 0;) {
            size_before = size();
            std::vector<std::size_t> faults;
            faults.reserve(smallest_.faults.size());
            for (const Fault& fault : smallest_.faults)
                faults.push_back(fault.number);
            drop(faults, [](const Case& c, const auto& kept) { return with_faults(c, kept); });
            std::vector<std::string> loads;
            for (const auto& load : smallest_.plan.loads)
                if (load.name != "base") loads.push_back(load.name);
            drop(loads, [](const Case& c, const auto& kept) { return with_loads(c, kept); });
        }
        smallest_.time = std::min(smallest_.time, lived_ + 1s);
        return smallest_;
    }

  private:
    std::size_t size() const { return smallest_.faults.size() + smallest_.plan.loads.size(); }

    /// Takes away large parts first, then single ones.
    template <class Item, class Narrow>
    void drop(std::vector<Item> items, Narrow narrow) {
        for (std::size_t part = items.size(); part > 0; part /= 2)
            for (std::size_t from = 0; from < items.size() && tries_ > 0;) {
                auto fewer = without(items, from, part);
                if (!still_breaks(narrow(smallest_, fewer)))
                    from += part;
                else
                    items = std::move(fewer);
            }
    }

    bool still_breaks(Case candidate) {
        --tries_;
        const Outcome outcome = run(candidate, nullptr);
        if (!outcome.broken || outcome.broken->rule != rule_) return false;
        candidate.time = std::min(candidate.time, with_some_more(outcome.lived));
        lived_ = outcome.lived;
        smallest_ = std::move(candidate);
        return true;
    }

    Case smallest_;
    std::string rule_;
    Duration lived_;
    int tries_;
};

}  // namespace

Outcome run(const Case& c, std::FILE* trace) {
    const daemon::Configuration configuration = configuration_of(c);
    SimulatedRig rig(c.plan, configuration, c.seed);
    if (trace != nullptr) rig.trace(trace);
    Judge judge(c, configuration, rig);
    Mischief mischief(c.faults, rig, c.seed);
    rig.on_story([&](const virtual_rig::StoryEvent& event) { judge.happened(event); });
    rig.broker().meddle([&](SimulatedBroker::InTransit& message) {
        const std::size_t copies = mischief.fate(message);
        judge.sent(message, copies);
        return copies;
    });
    const Instant end(c.time);
    for (Instant look = rig.now() + looks_every; rig.now() < end && !judge.broken();) {
        rig.run_for(std::min({look, mischief.next(), end}) - rig.now());
        for (const auto& change : mischief.work()) {
            write_down(change, rig, trace);
            judge.changed(change);
        }
        if (rig.now() < look) continue;
        judge.look();
        look += looks_every;
    }
    judge.finish();
    rig.broker().meddle({});
    rig.on_story({});
    return {judge.broken(), judge.figures(), rig.now() - Instant{}};
}

Case shrink(const Case& broken, const Broken& how, int tries) {
    return Shrinker(broken, how, tries).shrink();
}

}  // namespace ampmarshal::tests
