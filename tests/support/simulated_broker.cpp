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
    ++broker_.subscriptions_changed_;
    broker_.forget_due(*this);
    if (state_ == State::up) broker_.publish_will(*this);
}

void SimulatedBroker::Client::subscribe(std::string_view topic_filter) {
    if (std::find(subscriptions_.begin(), subscriptions_.end(), topic_filter) != subscriptions_.end()) return;
    subscriptions_.emplace_back(topic_filter);
    ++broker_.subscriptions_changed_;
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
    std::unique_ptr<Client> made(new Client(*this, *ids_.insert(std::move(id)).first, std::move(will)));
    clients_.push_back(made.get());
    begin_to_connect(*made);
    return made;
}

void SimulatedBroker::run_until(Instant end) {
    while (!due_.empty() && due_.front().at <= end) {
        Due due = std::move(due_.front());
        due_.pop_front();
        now_ = std::max(now_, due.at);
        Client& client = *due.client;
        if (!due.message) {
            come_up(client);
            continue;
        }
        InTransit& message = *due.message;
        const bool expired = message.expires && *message.expires < now_;
        if (!expired && client.listener_ != nullptr)
            client.listener_->received(now_, {message.topic, message.payload, message.retained});
        spare_.push_back(std::move(due.message));
    }
    now_ = std::max(now_, end);
}

std::optional<Instant> SimulatedBroker::next_due() const {
    if (due_.empty()) return std::nullopt;
    return due_.front().at;
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

void SimulatedBroker::forget_retained() {
    for (auto& [name, topic] : topics_)
        topic.retained.reset();
}

std::optional<std::string> SimulatedBroker::retained(std::string_view topic) const {
    const auto found = topics_.find(topic);
    if (found == topics_.end() || !found->second.retained) return std::nullopt;
    const Retained& kept = *found->second.retained;
    if (kept.expires && *kept.expires < now_) return std::nullopt;
    return kept.payload;
}

SimulatedBroker::Topics::value_type& SimulatedBroker::topic(std::string_view name) {
    Topics::value_type*& there = lately_[std::hash<const char*>{}(name.data()) / 16 % lately_.size()];
    if (there != nullptr && there->first == name) return *there;
    const auto found = topics_.find(name);
    there = found != topics_.end() ? &*found : &*topics_.try_emplace(std::string(name)).first;
    return *there;
}

void SimulatedBroker::accept(std::string_view from, const Publication& publication) {
    Topics::value_type& entry = topic(publication.topic);
    auto& [name, topic] = entry;
    std::optional<Instant> expires;
    if (publication.expires_after) expires = now_ + *publication.expires_after;
    if (publication.delivery == Delivery::state) {
        if (publication.payload.empty()) {
            topic.retained.reset();
        } else {
            if (!topic.retained) topic.retained.emplace();
            topic.retained->from = from;
            topic.retained->payload = publication.payload;
            topic.retained->expires = expires;
        }
    }
    for (Client* to : receivers(entry))
        send(*to, {from, name, publication.payload, false, expires});
}

const std::vector<SimulatedBroker::Client*>& SimulatedBroker::receivers(Topics::value_type& entry) {
    auto& [name, topic] = entry;
    if (topic.receivers_of == subscriptions_changed_) return topic.receivers;
    topic.receivers_of = subscriptions_changed_;
    topic.receivers.clear();
    for (Client* client : clients_) {
        const bool wants =
            std::any_of(client->subscriptions_.begin(), client->subscriptions_.end(),
                        [&](const std::string& filter) { return topic_matches(filter, entry.first); });
        if (wants) topic.receivers.push_back(client);
    }
    return topic.receivers;
}

void SimulatedBroker::send(Client& to, const Departure& departure) {
    if (!to.connected()) return;
    auto message = blank();
    message->from = departure.from;
    message->to = to.id_;
    message->topic = departure.topic;
    message->payload = departure.payload;
    message->retained = departure.retained;
    message->due = now_ + latency_;
    message->expires = departure.expires;
    const std::size_t copies = meddler_ ? meddler_(*message) : 1;
    const Instant at = message->due;
    for (std::size_t copy = 1; copy < copies; ++copy) {
        auto again = blank();
        *again = *message;
        enqueue({at, &to, std::move(again)});
    }
    if (copies > 0)
        enqueue({at, &to, std::move(message)});
    else
        spare_.push_back(std::move(message));
}

void SimulatedBroker::send_retained(Client& to, std::string_view topic_filter) {
    std::vector<const Topics::value_type*> kept;
    for (const auto& entry : topics_) {
        const auto& retained = entry.second.retained;
        const bool there = retained && !(retained->expires && *retained->expires < now_);
        if (there && topic_matches(topic_filter, entry.first)) kept.push_back(&entry);
    }
    std::sort(kept.begin(), kept.end(), [](const auto* a, const auto* b) { return a->first < b->first; });
    for (const auto* entry : kept) {
        const Retained& retained = *entry->second.retained;
        send(to, {retained.from, entry->first, retained.payload, true, retained.expires});
    }
}

void SimulatedBroker::enqueue(Due due) {
    auto before = due_.end();
    while (before != due_.begin() && std::prev(before)->at > due.at)
        --before;
    due_.insert(before, std::move(due));
}

std::unique_ptr<SimulatedBroker::InTransit> SimulatedBroker::blank() {
    if (spare_.empty()) return std::make_unique<InTransit>();
    auto message = std::move(spare_.back());
    spare_.pop_back();
    return message;
}

void SimulatedBroker::begin_to_connect(Client& client) {
    client.waits_for_broker_ = !running_;
    if (!running_) return;
    client.state_ = Client::State::connecting;
    enqueue({now_ + latency_, &client, nullptr});
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
    std::erase_if(due_, [&](const Due& due) { return due.client == &client; });
}

}  // namespace ampmarshal::tests
