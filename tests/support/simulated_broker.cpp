#include "tests/support/simulated_broker.h"

#include <algorithm>
#include <cassert>
#include <utility>

namespace ampmarshal::tests {

using adapters::Delivery;
using adapters::Publication;
using rules::Instant;

namespace {

/// Takes the first level off, and its slash; nothing is left (not even an empty level) after the last.
std::string_view take_level(std::optional<std::string_view>& rest) {
    const std::string_view all = *rest;
    const std::size_t slash = all.find('/');
    if (slash == std::string_view::npos) {
        rest.reset();
        return all;
    }
    rest = all.substr(slash + 1);
    return all.substr(0, slash);
}

}  // namespace

bool topic_matches(std::string_view topic_filter, std::string_view topic) {
    if (topic.starts_with('$') && (topic_filter.starts_with('+') || topic_filter.starts_with('#')))
        return false;
    std::optional<std::string_view> filter_rest = topic_filter;
    std::optional<std::string_view> topic_rest = topic;
    while (filter_rest) {
        const std::string_view wanted = take_level(filter_rest);
        if (wanted == "#") return true;
        if (!topic_rest) return false;
        const std::string_view level = take_level(topic_rest);
        if (wanted != "+" && wanted != level) return false;
    }
    return !topic_rest;
}

SimulatedBroker::Client::~Client() {
    std::erase(broker_.clients_, this);
    broker_.receivers_.clear();
    broker_.forget_due(*this);
    if (state_ == State::up) broker_.publish_will(*this);
}

void SimulatedBroker::Client::subscribe(std::string_view topic_filter) {
    if (std::find(subscriptions_.begin(), subscriptions_.end(), topic_filter) != subscriptions_.end()) return;
    subscriptions_.emplace_back(topic_filter);
    broker_.receivers_.clear();
    if (connected()) broker_.send_retained(*this, topic_filter);
}

bool SimulatedBroker::Client::publish(const Publication& publication) {
    if (!connected()) return false;
    broker_.accept(id_, publication);
    return true;
}

SimulatedBroker::~SimulatedBroker() {
    assert(clients_.empty() && "the broker must outlive its clients");
}

std::unique_ptr<SimulatedBroker::Client> SimulatedBroker::client(std::string id,
                                                                 std::optional<adapters::Will> will) {
    // make_unique cannot reach the private constructor.
    std::unique_ptr<Client> made(new Client(*this, std::move(id), std::move(will)));
    clients_.push_back(made.get());
    begin_to_connect(*made);
    return made;
}

void SimulatedBroker::run_until(Instant end) {
    while (!due_.empty() && due_.begin()->first <= end) {
        const auto [at, due] = std::move(*due_.begin());
        due_.erase(due_.begin());
        now_ = std::max(now_, at);
        Client& client = *due.client;
        if (!due.message) {
            come_up(client);
            continue;
        }
        const InTransit& message = *due.message;
        const bool expired = message.expires && *message.expires < now_;
        if (expired || client.listener_ == nullptr) continue;
        client.listener_->received(now_, {message.topic, message.payload, message.retained});
    }
    now_ = std::max(now_, end);
}

std::optional<Instant> SimulatedBroker::next_due() const {
    if (due_.empty()) return std::nullopt;
    return due_.begin()->first;
}

void SimulatedBroker::cut(Client& client, std::string_view why) {
    const bool was_up = client.connected();
    client.waits_for_broker_ = false;
    break_connection(client, why);
    if (was_up) publish_will(client);
}

void SimulatedBroker::restore(Client& client) {
    if (client.state_ == Client::State::down) begin_to_connect(client);
}

void SimulatedBroker::stop(std::string_view why) {
    running_ = false;
    due_.clear();
    const std::vector<Client*> all = clients_;  // a listener may make new clients
    for (Client* client : all) {
        client->waits_for_broker_ = client->waits_for_broker_ || client->state_ != Client::State::down;
        break_connection(*client, why);
    }
}

void SimulatedBroker::start() {
    running_ = true;
    for (Client* client : clients_) {
        if (client->waits_for_broker_) begin_to_connect(*client);
    }
}

std::optional<std::string> SimulatedBroker::retained(std::string_view topic) const {
    const auto found = retained_.find(topic);
    if (found == retained_.end()) return std::nullopt;
    const Retained& kept = found->second;
    if (kept.expires && *kept.expires < now_) return std::nullopt;
    return kept.payload;
}

void SimulatedBroker::accept(const std::string& from, const Publication& publication) {
    const std::string topic(publication.topic);
    std::optional<Instant> expires;
    if (publication.expires_after) expires = now_ + *publication.expires_after;
    if (publication.delivery == Delivery::state) {
        if (publication.payload.empty()) {
            retained_.erase(topic);
        } else {
            retained_[topic] = {from, std::string(publication.payload), expires};
        }
    }
    for (Client* to : receivers(topic)) {
        send(*to, {from, to->id_, topic, std::string(publication.payload), false, now_ + latency_, expires});
    }
}

const std::vector<SimulatedBroker::Client*>& SimulatedBroker::receivers(const std::string& topic) {
    const auto [entry, is_new] = receivers_.try_emplace(topic);
    if (!is_new) return entry->second;
    for (Client* client : clients_) {
        const bool wants =
            std::any_of(client->subscriptions_.begin(), client->subscriptions_.end(),
                        [&](const std::string& filter) { return topic_matches(filter, topic); });
        if (wants) entry->second.push_back(client);
    }
    return entry->second;
}

void SimulatedBroker::send(Client& to, InTransit message) {
    if (!to.connected()) return;
    const std::size_t copies = meddler_ ? meddler_(message) : 1;
    for (std::size_t copy = 1; copy < copies; ++copy)
        due_.emplace(message.due, Due{&to, message});
    if (copies > 0) due_.emplace(message.due, Due{&to, std::move(message)});
}

void SimulatedBroker::send_retained(Client& to, std::string_view topic_filter) {
    for (const auto& [topic, kept] : retained_) {
        const bool expired = kept.expires && *kept.expires < now_;
        if (expired || !topic_matches(topic_filter, topic)) continue;
        send(to, {kept.from, to.id_, topic, kept.payload, true, now_ + latency_, kept.expires});
    }
}

void SimulatedBroker::begin_to_connect(Client& client) {
    client.waits_for_broker_ = !running_;
    if (!running_) return;
    client.state_ = Client::State::connecting;
    due_.emplace(now_ + latency_, Due{&client, std::nullopt});
}

void SimulatedBroker::break_connection(Client& client, std::string_view why) {
    const auto before = std::exchange(client.state_, Client::State::down);
    forget_due(client);
    if (before == Client::State::up && client.listener_ != nullptr) client.listener_->link_down(now_, why);
}

void SimulatedBroker::publish_will(const Client& client) {
    if (!client.will_) return;
    const auto& [topic, payload, retained] = *client.will_;
    accept(client.id_, {topic, payload, retained ? Delivery::state : Delivery::event});
}

void SimulatedBroker::come_up(Client& client) {
    client.state_ = Client::State::up;
    for (const std::string& topic_filter : client.subscriptions_)
        send_retained(client, topic_filter);
    if (client.listener_ != nullptr) client.listener_->link_up(now_);
}

void SimulatedBroker::forget_due(const Client& client) {
    std::erase_if(due_, [&](const auto& entry) { return entry.second.client == &client; });
}

}  // namespace ampmarshal::tests
