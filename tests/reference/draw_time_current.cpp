// Draws docs/time-current.svg: for each usual breaker the band within which it trips, and where typical
// starts land in it. The edges come from the very functions that decide.
#include <array>
#include <cmath>
#include <cstdio>
#include <string>
#include <vector>

#include "rules/source.h"
#include "rules/standing.h"

namespace {

using namespace ampmarshal::rules;

/// A logarithmic axis from `least` to `most`, laid out from `from` to `to` in the picture.
struct Axis {
    double least, most, from, to;
    double at(double value) const {
        return from + (to - from) * std::log(value / least) / std::log(most / least);
    }
};

struct Point {
    double x, y;
};

/// What a start adds, and for how long; a round number each, near what a clamp meter shows.
struct TypicalStart {
    char letter;
    double current_a;
    double lasts_s;
    const char* what;
};
constexpr std::array starts{
    TypicalStart{'A', 12, 3, "air conditioner with a soft starter, 12 A for 3 s"},
    TypicalStart{'B', 32, 0.3, "small air conditioner, 32 A for 0.3 s"},
    TypicalStart{'C', 50, 0.45, "large air conditioner, 50 A for 0.45 s"},
    TypicalStart{'D', 96, 0.45, "two air conditioners at once, 96 A for 0.45 s"},
};

struct Tick {
    double value;
    const char* label;
};
constexpr std::array current_ticks{Tick{10, "10 A"}, Tick{20, "20"},   Tick{50, "50"},
                                   Tick{100, "100"}, Tick{200, "200"}, Tick{400, "400"}};
constexpr std::array time_ticks{Tick{0.1, "0.1 s"}, Tick{1, "1 s"},      Tick{10, "10 s"},
                                Tick{60, "1 min"},  Tick{600, "10 min"}, Tick{3600, "1 h"}};

constexpr double picture_width = 920;
constexpr double picture_height = 950;
constexpr double panel_width = 390;
constexpr double panel_height = 330;

/// One breaker's diagram.
class Panel {
  public:
    Panel(double rating_a, double left, double top)
        : rating_a_(rating_a),
          current_{8, 500, left, left + panel_width},
          time_{0.05, 7200, top + panel_height, top},
          limit_(compile("breaker", "breaker", 120, Feed::one_leg, BreakerPlate{rating_a}).limits.at(0)) {}

    void draw() const {
        frame();
        band();
        published_points();
        for (const TypicalStart& start : starts)
            mark(start);
    }

  private:
    void frame() const {
        for (const Tick& tick : current_ticks) {
            const double x = current_.at(tick.value);
            std::printf("<path class='grid' d='M%.1f %.1fV%.1f'/>\n", x, time_.from, time_.to);
            std::printf("<text x='%.1f' y='%.1f' text-anchor='middle'>%s</text>\n", x, time_.from + 16,
                        tick.label);
        }
        for (const Tick& tick : time_ticks) {
            const double y = time_.at(tick.value);
            std::printf("<path class='grid' d='M%.1f %.1fH%.1f'/>\n", current_.from, y, current_.to);
            std::printf("<text x='%.1f' y='%.1f' text-anchor='end'>%s</text>\n", current_.from - 5, y + 4,
                        tick.label);
        }
        std::printf("<text class='title' x='%.1f' y='%.1f'>%.0f A breaker</text>\n", current_.from,
                    time_.to - 8, rating_a_);
    }

    /// An edge from the top of the panel to `most_a`.
    std::vector<Point> edge(const ThermalImage& image, double most_a) const {
        std::vector<Point> points{at(image.pickup_a, time_.most)};
        constexpr int steps = 60;
        for (int i = 1; i <= steps; ++i) {
            // Closer together near the pick-up, where the edge bends.
            const double share = static_cast<double>(i) / steps;
            const double current_a =
                image.pickup_a * std::pow(most_a / image.pickup_a, share * share * share);
            const auto trip = image.time_to_trip(0, current_a);
            if (trip && seconds(*trip) < time_.most) points.push_back(at(current_a, seconds(*trip)));
        }
        return points;
    }

    void band() const {
        std::vector<Point> early = edge(breaker_early_edge(rating_a_), limit_.ceiling_a);
        early.push_back(at(limit_.ceiling_a, time_.least));  // from here on it may trip at once
        const std::vector<Point> late = edge(breaker_late_edge(rating_a_), current_.most);
        std::vector<Point> around = early;
        around.push_back(at(current_.most, time_.least));
        around.insert(around.end(), late.rbegin(), late.rend());
        path("band", around, "z");
        path("early", early, "");
        path("late", late, "");
    }

    static void path(const char* style, const std::vector<Point>& points, const char* end) {
        std::printf("<path class='%s' d='", style);
        for (const Point& point : points)
            std::printf("%c%.1f %.1f", &point == points.data() ? 'M' : 'L', point.x, point.y);
        std::printf("%s'/>\n", end);
    }

    /// UL 489: tripped at the latest (135 and 200 %); IEC 60898-1: at the earliest (2.55 x).
    void published_points() const {
        const double at_200_percent_s = rating_a_ <= 30 ? 120 : 240;
        diamond(1.35 * rating_a_, 3600);
        diamond(2 * rating_a_, at_200_percent_s);
        triangle(2.55 * rating_a_, 1);
    }

    void diamond(double current_a, double time_s) const {
        std::printf("<path class='point' d='M%.1f %.1fm0 -6l6 6l-6 6l-6 -6z'/>\n", current_.at(current_a),
                    time_.at(time_s));
    }

    void triangle(double current_a, double time_s) const {
        std::printf("<path class='point' d='M%.1f %.1fm0 -6l6 11h-12z'/>\n", current_.at(current_a),
                    time_.at(time_s));
    }

    /// A dot where the start fits the cold breaker, a cross where it does not.
    void mark(const TypicalStart& start) const {
        const std::vector<double> cold(limit_.images.size(), 0.0);
        const bool fits = start.current_a <= most_for(limit_, cold, from_seconds(start.lasts_s), to_join);
        const double x = current_.at(start.current_a);
        const double y = time_.at(start.lasts_s);
        if (fits) {
            std::printf("<circle class='fits' cx='%.1f' cy='%.1f' r='6'/>\n", x, y);
        } else {
            std::printf("<path class='misfit' d='M%.1f %.1fm-6 -6l12 12m0 -12l-12 12'/>\n", x, y);
        }
        std::printf("<text class='letter' x='%.1f' y='%.1f' text-anchor='middle'>%c</text>\n", x, y + 21,
                    start.letter);
    }

    Point at(double current_a, double time_s) const { return {current_.at(current_a), time_.at(time_s)}; }

    double rating_a_;
    Axis current_;
    Axis time_;
    Limit limit_;
};

constexpr double legend_top = 858;

void legend_line(double x, int row, const char* symbol, const char* text) {
    const double y = legend_top + 20 * row;
    std::printf("<g transform='translate(%.0f %.0f)'>%s</g>\n<text x='%.0f' y='%.0f'>%s</text>\n", x, y - 4,
                symbol, x + 28, y, text);
}

void legend() {
    legend_line(40, 0, "<path class='early' d='M-10 0h24'/>", "earliest trip: decisions rely on it");
    legend_line(40, 1, "<path class='late' d='M-10 0h24'/>", "latest trip that UL 489 allows");
    legend_line(40, 2, "<path class='point' d='M2 -6l6 6l-6 6l-6 -6z'/>",
                "UL 489: tripped by then (135 %, 200 %)");
    legend_line(40, 3, "<path class='point' d='M2 -6l6 11h-12z'/>",
                "IEC 60898-1: not before (2.55 x rating)");
    legend_line(340, 0, "<circle class='fits' cx='2' cy='0' r='6'/>", "start fits");
    legend_line(340, 1, "<path class='misfit' d='M-4 -6l12 12m0 -12l-12 12'/>", "does not fit");
    legend_line(340, 2, "<path class='band' d='M-10 -7h24v14h-24z'/>", "may trip");
    for (std::size_t i = 0; i < starts.size(); ++i) {
        const std::string letter = std::string("<text class='letter' y='4'>") + starts[i].letter + "</text>";
        legend_line(520, static_cast<int>(i), letter.c_str(), starts[i].what);
    }
}

// Plain colours first: not every viewer knows variables or a dark scheme.
constexpr const char* style = R"(<style>
  .paper { fill: #ffffff; }
  text { fill: #24292f; font: 12px system-ui, sans-serif; }
  .title { font-size: 15px; font-weight: 600; }
  .letter { font-weight: 700; }
  path { fill: none; stroke: #24292f; }
  .grid { stroke: #d8dee4; }
  .band { fill: #dbe7f3; stroke: none; }
  .early { stroke: #0b5cad; stroke-width: 2.2; }
  .late { stroke: #6e5494; stroke-width: 2.2; stroke-dasharray: 7 4; }
  .point { fill: #ffffff; stroke-width: 1.6; }
  .fits { fill: #24292f; stroke: #ffffff; stroke-width: 1.5; }
  .misfit { stroke: #b42318; stroke-width: 3; }
  @media (prefers-color-scheme: dark) {
    .paper { fill: #14181d; }
    text { fill: #dde3ea; }
    path { stroke: #dde3ea; }
    .grid { stroke: #333b44; }
    .band { fill: #223244; }
    .early { stroke: #6cb0f5; }
    .late { stroke: #bfa6e6; }
    .point { fill: #14181d; }
    .fits { fill: #dde3ea; stroke: #14181d; }
    .misfit { stroke: #ff8f85; }
  }
</style>
)";

}  // namespace

int main() {
    std::printf("<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 %.0f %.0f' role='img'>\n",
                picture_width, picture_height);
    std::printf("<title>When 15, 20, 30 and 50 A breakers trip, and where typical starts land</title>\n");
    std::printf("%s<rect class='paper' width='%.0f' height='%.0f'/>\n", style, picture_width, picture_height);
    std::printf("<text class='title' x='60' y='26'>Time to trip against current, from cold</text>\n");
    constexpr double left = 60;
    constexpr double top = 66;
    constexpr double right = left + panel_width + 60;
    constexpr double bottom = top + panel_height + 66;
    Panel(15, left, top).draw();
    Panel(20, right, top).draw();
    Panel(30, left, bottom).draw();
    Panel(50, right, bottom).draw();
    legend();
    std::printf("</svg>\n");
    return 0;
}
