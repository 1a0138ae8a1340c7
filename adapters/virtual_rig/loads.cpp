#include "adapters/virtual_rig/loads.h"

#include <algorithm>
#include <cmath>

namespace ampmarshal::virtual_rig {

namespace {

constexpr Duration follows_every = 50ms;  ///< steps in which a charger comes to what it is set to

class Body {
  public:
    explicit Body(const BodyPlan& plan) : plan_(plan), temperature_c_(plan.start_c) {}

    void step(double heating_w, double dt_s) {
        const double loss_w = plan_.loss_w_per_k * (plan_.surroundings_c - temperature_c_);
        temperature_c_ += (loss_w + plan_.gain_w + heating_w) / plan_.capacity_j_per_k * dt_s;
    }
    double temperature_c() const { return temperature_c_; }

  private:
    BodyPlan plan_;
    double temperature_c_;
};

/// `excess_k`: how far the temperature is on the side that asks for action.
bool thermostat(bool calling, double excess_k, double hysteresis_k) {
    return calling ? excess_k > -hysteresis_k : excess_k > hysteresis_k;
}

class AirConditioner final : public Load {
  public:
    AirConditioner(std::string_view name, Control control, const AirConditionerPlan& plan)
        : name_(name),
          control_(control),
          plan_(plan),
          fan_(plan.fan),
          compressor_(plan.compressor),
          room_(plan.room),
          calling_(plan.room.start_c > plan.thermostat.set_c) {}

    std::optional<double> temperature_c() const override { return room_.temperature_c(); }

    void step(const Terminals& at, Narrator& narrator) override {
        room_.step(compressor_.running() ? -plan_.cooling_w : 0.0, at.dt_s);
        calling_ = thermostat(calling_, room_.temperature_c() - plan_.thermostat.set_c,
                              plan_.thermostat.hysteresis_k);
        wants_ = control_ == Control::switched || calling_;

        turn(fan_, "fan", at, narrator);
        turn(compressor_, "compressor", at, narrator);
        if (wants_ && at.powered && at.contact) {
            run(at, narrator);
        } else {
            stop(at.now, narrator);
        }
        describe(at);
    }

  private:
    void turn(Motor& motor, std::string_view part, const Terminals& at, Narrator& narrator) {
        if (motor.turn(at.now, at.volts)) {
            narrator.tell({at.now, Happening::start_ended, name_, part, motor.plan().running_a});
        }
        if (&motor == &compressor_ && !stall_told_ && motor.stalled(at.now)) {
            stall_told_ = true;
            narrator.tell({at.now, Happening::stalled, name_, part, motor.plan().start_a * at.per_unit()});
        }
    }

    void run(const Terminals& at, Narrator& narrator) {
        if (!fan_.on()) {
            start(fan_, "fan", false, at.now, narrator);
            compressor_due_ = std::max(at.now + plan_.fan_to_compressor, overload_closed_);
        }
        if (!compressor_.on() && at.now >= compressor_due_) {
            const bool too_soon = stopped_ && at.now - *stopped_ < plan_.pressure_equalises;
            if (too_soon) narrator.tell({at.now, Happening::short_cycled, name_, "compressor", 0});
            stall_told_ = false;
            start(compressor_, "compressor", too_soon || plan_.always_stalls, at.now, narrator);
        }
        if (compressor_.locked_for(at.now) >= plan_.overload_opens) {
            narrator.tell({at.now, Happening::overload_opened, name_, "compressor", 0});
            stop_compressor(at.now);
            compressor_due_ = overload_closed_ = at.now + plan_.overload_closes;
        }
    }

    void start(Motor& motor, std::string_view part, bool jammed, Instant now, Narrator& narrator) {
        motor.start(now, jammed);
        narrator.tell({now, Happening::start_began, name_, part, motor.plan().start_a});
    }

    void stop(Instant now, Narrator& narrator) {
        if (!fan_.on()) return;
        fan_.stop();
        if (compressor_.on()) stop_compressor(now);
        narrator.tell({now, Happening::load_off, name_, "", 0});
    }

    void stop_compressor(Instant now) {
        compressor_.stop();
        stopped_ = now;
    }

    void describe(const Terminals& at) {
        draw_ = fan_.draw(at.now, at.nominal_v);
        draw_ += compressor_.draw(at.now, at.nominal_v);
        running_ = compressor_.running();
        motors_starting_ = (fan_.starting() ? 1 : 0) + (compressor_.starting() ? 1 : 0);
        due_.reset();
        if (fan_.on() && !compressor_.on()) due_ = compressor_due_;
    }

    std::string_view name_;
    Control control_;
    const AirConditionerPlan& plan_;
    Motor fan_;
    Motor compressor_;
    Body room_;
    bool calling_;
    bool stall_told_ = false;
    Instant compressor_due_{};
    Instant overload_closed_ = Instant::min();
    std::optional<Instant> stopped_;
};

/// What loads without motors have in common: they draw, or they do not.
class PlainLoad : public Load {
  public:
    explicit PlainLoad(std::string_view name) : name_(name) {}

  protected:
    void connect(const Terminals& at, Narrator& narrator, const Draw& draw, double running_a) {
        const bool on = wants_ && at.powered && at.contact;
        draw_ = on ? draw : Draw{};
        if (on == running_) return;
        running_ = on;
        narrator.tell({at.now, on ? Happening::load_on : Happening::load_off, name_, "", on ? running_a : 0});
    }

  private:
    std::string_view name_;
};

class Heater final : public PlainLoad {
  public:
    Heater(std::string_view name, Control control, const HeaterPlan& plan)
        : PlainLoad(name),
          control_(control),
          plan_(plan),
          tank_(plan.tank),
          calling_(plan.tank.start_c < plan.thermostat.set_c) {}

    std::optional<double> temperature_c() const override { return tank_.temperature_c(); }

    void step(const Terminals& at, Narrator& narrator) override {
        const double heating_w = plan_.running_a * at.nominal_v * at.per_unit() * at.per_unit();
        tank_.step(running() ? heating_w : 0.0, at.dt_s);
        calling_ = thermostat(calling_, plan_.thermostat.set_c - tank_.temperature_c(),
                              plan_.thermostat.hysteresis_k);
        wants_ = control_ == Control::switched || calling_;
        connect(at, narrator, {plan_.running_a / at.nominal_v, 0}, plan_.running_a);
    }

  private:
    Control control_;
    const HeaterPlan& plan_;
    Body tank_;
    bool calling_;
};

class Charger final : public PlainLoad {
  public:
    Charger(std::string_view name, const ChargerPlan& plan)
        : PlainLoad(name),
          plan_(plan),
          accepted_a_(plan.bulk_a),
          set_a_(plan.bulk_a),
          allowed_a_(plan.bulk_a) {}

    bool set(double most_a) override {
        if (!plan_.follows_within) return false;
        set_a_ = std::min(most_a, plan_.bulk_a);
        return true;
    }

    void step(const Terminals& at, Narrator& narrator) override {
        if (running()) charge(at.dt_s);
        follow(at.dt_s);
        due_.reset();
        if (allowed_a_ != set_a_) due_ = at.now + follows_every;
        connect(at, narrator, {0, current_a()}, current_a());
    }

  private:
    double current_a() const { return std::min(accepted_a_, allowed_a_); }

    /// Charged with less than it accepts, the battery takes so much longer.
    void charge(double dt_s) {
        const double full_s = dt_s * current_a() / accepted_a_;
        charged_s_ += full_s;
        if (charged_s_ > rules::seconds(plan_.bulk)) {
            accepted_a_ -= (accepted_a_ - plan_.float_a) * full_s / rules::seconds(plan_.taper);
        }
    }

    void follow(double dt_s) {
        if (!running()) allowed_a_ = set_a_;
        if (allowed_a_ == set_a_) return;
        const double most_a = plan_.bulk_a * dt_s / rules::seconds(*plan_.follows_within);
        allowed_a_ += std::clamp(set_a_ - allowed_a_, -most_a, most_a);
    }

    const ChargerPlan& plan_;
    double accepted_a_;  ///< by the battery
    double set_a_;
    double allowed_a_;  ///< on its way to what it is set to
    double charged_s_ = 0;
};

class Appliance final : public PlainLoad {
  public:
    Appliance(std::string_view name, const AppliancePlan& plan, Instant beginning)
        : PlainLoad(name), plan_(plan), beginning_(beginning) {}

    void step(const Terminals& at, Narrator& narrator) override {
        while (next_ < plan_.uses.size() && at.now >= beginning_ + plan_.uses[next_].to)
            ++next_;
        due_.reset();
        wants_ = false;
        if (next_ < plan_.uses.size()) {
            const auto& use = plan_.uses[next_];
            wants_ = at.now >= beginning_ + use.from;
            due_ = beginning_ + (wants_ ? use.to : use.from);
        }
        connect(at, narrator, {0, plan_.running_a}, plan_.running_a);
    }

  private:
    const AppliancePlan& plan_;
    Instant beginning_;
    std::size_t next_ = 0;
};

class BaseLoad final : public PlainLoad {
  public:
    BaseLoad(std::string_view name, const BaseLoadPlan& plan, Instant beginning, Random random)
        : PlainLoad(name), plan_(plan), random_(random), wander_at_(beginning) {}

    void step(const Terminals& at, Narrator& narrator) override {
        for (; wander_at_ <= at.now; wander_at_ += 1s)
            wander();
        const double current_a = std::max(0.0, plan_.mean_a + offset_a_);
        connect(at, narrator, {0, current_a}, current_a);
    }

  private:
    // An Ornstein-Uhlenbeck walk: it strays with the planned deviation and always comes home.
    void wander() {
        const double keep = std::exp(-1.0 / rules::seconds(plan_.wander_time));
        offset_a_ = keep * offset_a_ + plan_.wander_a * std::sqrt(1 - keep * keep) * random_.gaussian();
    }

    const BaseLoadPlan& plan_;
    Random random_;
    Instant wander_at_;
    double offset_a_ = 0;
};

}  // namespace

std::unique_ptr<Load> make_load(const LoadPlan& plan, Instant beginning, Random random) {
    struct Maker {
        const LoadPlan& plan;
        Instant beginning;
        Random random;
        std::unique_ptr<Load> operator()(const AirConditionerPlan& kind) const {
            return std::make_unique<AirConditioner>(plan.name, plan.control, kind);
        }
        std::unique_ptr<Load> operator()(const HeaterPlan& kind) const {
            return std::make_unique<Heater>(plan.name, plan.control, kind);
        }
        std::unique_ptr<Load> operator()(const ChargerPlan& kind) const {
            return std::make_unique<Charger>(plan.name, kind);
        }
        std::unique_ptr<Load> operator()(const AppliancePlan& kind) const {
            return std::make_unique<Appliance>(plan.name, kind, beginning);
        }
        std::unique_ptr<Load> operator()(const BaseLoadPlan& kind) const {
            return std::make_unique<BaseLoad>(plan.name, kind, beginning, random);
        }
    };
    return std::visit(Maker{plan, beginning, random}, plan.kind);
}

}  // namespace ampmarshal::virtual_rig
