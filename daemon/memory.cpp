#include "daemon/memory.h"

namespace ampmarshal::daemon {

Memory blank_memory(const rules::Rig& rig) {
    Memory memory;
    memory.loads.reserve(rig.loads.size());
    for (const rules::Load& load : rig.loads)
        memory.loads.push_back({.wanted = load.wanted_at_start});
    return memory;
}

Lessons blank_lessons(const rules::Rig& rig) {
    Lessons lessons;
    lessons.reserve(rig.loads.size());
    for (const rules::Load& load : rig.loads)
        lessons.emplace_back(load.stages.size());
    return lessons;
}

Memory memory_of(const rules::Marshal& marshal) {
    Memory memory = blank_memory(marshal.rig());
    memory.everything_stopped = marshal.everything_stopped();
    for (rules::LoadIndex i = 0; i < memory.loads.size(); ++i) {
        const rules::LoadView view = marshal.load(i);
        memory.loads[i] = {view.wanted, view.held, view.lockout, view.preferred_until};
    }
    return memory;
}

Lessons lessons_of(const rules::Marshal& marshal) {
    Lessons lessons = blank_lessons(marshal.rig());
    for (rules::LoadIndex i = 0; i < lessons.size(); ++i)
        for (std::size_t stage = 0; stage < lessons[i].size(); ++stage)
            lessons[i][stage] = marshal.profile(i, stage).memory();
    return lessons;
}

std::vector<rules::Event> recall(const Memory& memory, const rules::Rig& rig, rules::Instant now) {
    std::vector<rules::Event> events;
    if (memory.everything_stopped) events.emplace_back(rules::StopEverything{now, true});
    for (rules::LoadIndex i = 0; i < memory.loads.size(); ++i) {
        const LoadMemory& load = memory.loads[i];
        if (load.wanted != rig.loads[i].wanted_at_start)
            events.emplace_back(rules::DemandChanged{now, i, load.wanted});
        if (load.held) events.emplace_back(rules::OperatorRequest{now, i, rules::Request::hold});
        if (load.preferred_until)
            events.emplace_back(
                rules::OperatorRequest{now, i, rules::Request::prefer, *load.preferred_until});
        if (load.lockout != rules::Lockout::none)
            events.emplace_back(rules::LockoutRecalled{now, i, load.lockout});
    }
    return events;
}

std::vector<std::string> recall(const Lessons& lessons, rules::Marshal& marshal) {
    std::vector<std::string> wrong;
    for (rules::LoadIndex i = 0; i < lessons.size(); ++i) {
        for (std::size_t stage = 0; stage < lessons[i].size(); ++stage) {
            const auto fault = marshal.recall(i, stage, lessons[i][stage]);
            const rules::Load& load = marshal.rig().loads[i];
            if (fault)
                wrong.push_back("what the starts of " + load.name + " (" + load.stages[stage].name +
                                ") had taught is not taken: " + *fault);
        }
    }
    return wrong;
}

}  // namespace ampmarshal::daemon
