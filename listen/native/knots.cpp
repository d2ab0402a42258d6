// Knots along the phase: placed, corrected, read between; and the frames that are laid along them.
#include <math.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr double TWO_PI = 6.28318530717958647692;
constexpr double LARGEST_STEP = 1e15;
// Beyond this, whole cycles are no longer told from halves.
constexpr int64_t MOST_BEFORE = 1 << 20;
// So many half cycles, at the most, lie between the knot of the rough phase before the start and the start.

// A piece of a cubic Hermite curve: value and slope at u = 0 .. 1.
struct Piece {
    double h, p0, dp, d0, c2, c3;

    LISTEN_INLINE Piece(Doubles samples, Doubles turns, Doubles slopes, int64_t k) {
        h = samples[k + 1] - samples[k];
        p0 = turns[k];
        dp = turns[k + 1] - p0;
        d0 = slopes[k] * h;
        const double d1 = slopes[k + 1] * h;
        c2 = 3.0 * dp - 2.0 * d0 - d1;
        c3 = d0 + d1 - 2.0 * dp;
    }
    LISTEN_INLINE double value(double u) const { return p0 + u * (d0 + u * (c2 + u * c3)); }
    LISTEN_INLINE double slope(double u) const { return d0 + u * (2.0 * c2 + 3.0 * u * c3); }
};

// Slope at each of three knots or more of the parabola through it and its neighbours.
void slopes_of(Row<double> samples, Row<double> turns, Row<double> out) {
    const int64_t n = samples.n;
    for (int64_t i = 1; i < n - 1; i++) {
        const double before = samples[i] - samples[i - 1], after = samples[i + 1] - samples[i];
        const double rise = (turns[i] - turns[i - 1]) / before;
        out[i] = (rise * after + (turns[i + 1] - turns[i]) / after * before) / (before + after);
    }
    out[0] = 2.0 * (turns[1] - turns[0]) / (samples[1] - samples[0]) - out[1];
    out[n - 1] = 2.0 * (turns[n - 1] - turns[n - 2]) / (samples[n - 1] - samples[n - 2]) - out[n - 2];
}

// Residue with its noise taken down, where all of it that the smoother reads is smooth to a limit.
void smoothed(Row<double> residue, Doubles smoother, double limit, Row<double> out) {
    const int64_t n = residue.n, width = smoother.n, half = width / 2;
    for (int64_t i = 0; i < n; i++) out[i] = residue[i];
    if (n < 2 * width) return;
    int64_t clean = 0;
    for (int64_t i = half; i < n - half; i++) {
        double total = 0.0;
        for (int64_t j = 0; j < width; j++) total += smoother[j] * residue[i - half + j];
        out[i] = total;
        if (fabs(total - residue[i]) > limit) {
            // this one and its neighbours stay as they were
            for (int64_t j = most(i - half, 0); j < i; j++) out[j] = residue[j];
            clean = i + half + 1;
        }
        if (i < clean) out[i] = residue[i];
    }
}

// Lines through each run of ``side`` values: value at the middle, slope, scatter.
void line_fits(Doubles values, int64_t side, Table<double> out) {
    const double width = (double)side, middle_place = 0.5 * (width - 1.0);
    const double spread = width * (width * width - 1.0) / 12.0;
    for (int64_t i = 0; i < values.n - side + 1; i++) {
        double total = 0.0, tilt = 0.0;
        for (int64_t j = 0; j < side; j++) {
            total += values[i + j];
            tilt += ((double)j - middle_place) * values[i + j];
        }
        const double middle = total / width, slope = tilt / spread;
        double off = 0.0;
        for (int64_t j = 0; j < side; j++) {
            const double one = values[i + j] - middle - ((double)j - middle_place) * slope;
            off += one * one;
        }
        out[0][i] = middle;
        out[1][i] = slope;
        out[2][i] = sqrt(off / width);
    }
}

// Values at rising places, straight between two of them and level beyond the ends.
double between(Doubles places, Doubles values, double place) {
    int64_t low = 0, high = places.n - 1;
    if (place <= places[low]) return values[low];
    if (place >= places[high]) return values[high];
    while (high - low > 1) {
        const int64_t middle = (low + high) / 2;
        if (places[middle] <= place) {
            low = middle;
        } else {
            high = middle;
        }
    }
    const double rise = (values[high] - values[low]) / (places[high] - places[low]);
    return rise * (place - places[low]) + values[low];
}

// How far the pitch over a frame departs from a straight line: at its ends, or half way to them.
double bend(Doubles samples, Doubles calm, double centre, double half) {
    const double here = between(samples, calm, centre);
    const double ahead = between(samples, calm, centre + half), behind = between(samples, calm, centre - half);
    const double nearer =
        most(between(samples, calm, centre + 0.5 * half), between(samples, calm, centre - 0.5 * half));
    return most(fabs(ahead + behind - 2.0 * here), fabs(nearer - here) - fabs(ahead - behind));
}

}  // namespace

int64_t place_knots(Doubles samples, Doubles turns, Doubles slopes, double spacing, double start, double stop,
                    Table<double> out) {
    int64_t count = 0, k = 0, waited = 0;
    const int64_t last = samples.n - 1;
    while (k < last - 1 && samples[k + 1] < start) k++;
    double target = ceil(2.0 * turns[k]) * 0.5;
    while (target <= turns[last] && count < out.rows) {
        while (k < last - 1 && turns[k + 1] < target) k++;
        const Piece piece(samples, turns, slopes, k);
        double u = (target - piece.p0) / piece.dp;
        for (int turn = 0; turn < 4; turn++) u -= (piece.value(u) - target) / piece.slope(u);
        const double slope = piece.slope(u) / piece.h, place = samples[k] + u * piece.h;
        if (place > stop) break;
        if (place >= start) {
            out[count][0] = place;
            out[count][1] = target;
            out[count][2] = slope;
            count++;
        } else if (++waited > MOST_BEFORE) {
            break;
        }
        double step = 0.5;
        while (step * 2.0 <= spacing * slope && step < LARGEST_STEP) step *= 2.0;
        const double following = (floor(target / step + 1e-9) + 1.0) * step;
        if (!(following > target)) break;
        target = following;
    }
    return count;
}

void settle_knots(Table<const double> knots, Table<const double> sums, double order, Doubles smoother,
                  double within_cycles, Table<double> out) {
    const int64_t n = knots.rows;
    const Row<double> place = out[0], phase = out[1], slope = out[2], raw_slope = out[3], amplitude = out[4],
                      power = out[5], residue = out[6];
    double whole_turns = 0.0, before = 0.0;
    for (int64_t i = 0; i < n; i++) {
        const double re = sums[i][0], im = sums[i][1], turn = atan2(im, re) / TWO_PI;
        if (i > 0) whole_turns -= rint(turn - before);
        before = turn;
        residue[i] = (turn + whole_turns) / order;
        power[i] = most(sums[i][2] - sums[i][3] * sums[i][3], 0.0);
        amplitude[i] = sqrt(re * re + im * im);
        place[i] = knots[i][0];
        phase[i] = knots[i][1] + residue[i];
    }
    slopes_of(place, phase, raw_slope);
    smoothed(residue, smoother, within_cycles, slope);
    for (int64_t i = 0; i < n; i++) phase[i] = knots[i][1] + slope[i];
    slopes_of(place, phase, slope);
}

void curve_points(Doubles samples, Doubles turns, Doubles slopes, Doubles places, Table<double> out) {
    const int64_t last = samples.n - 2;
    int64_t k = 0;
    for (int64_t i = 0; i < places.n; i++) {
        const double place = places[i];
        while (k < last && samples[k + 1] <= place) k++;
        while (k > 0 && samples[k] > place) k--;
        const Piece piece(samples, turns, slopes, k);
        const double u = (place - samples[k]) / piece.h;
        out[0][i] = piece.value(u);
        out[1][i] = piece.slope(u) / piece.h;
    }
}

int64_t torn_places(Doubles values, int64_t side, int64_t gap, double least_jump, double over_noise, Table<double> fits,
                    Table<double> out, Row<int64_t> found) {
    line_fits(values, side, fits);
    const double arm = (double)gap + 0.5 * ((double)side + 1.0);
    int64_t count = 0;
    for (int64_t i = 0; i < out.columns; i++) {
        const int64_t right = i + side + 2 * gap + 1;
        const double jump = (fits[0][right] - arm * fits[1][right]) - (fits[0][i] + arm * fits[1][i]);
        const double bent = fabs(fits[1][right] - fits[1][i]) * arm, noise = most(fits[2][i], fits[2][right]);
        out[0][i] = jump;
        out[1][i] = bent;
        out[2][i] = noise;
        if (fabs(jump) > most(least_jump, over_noise * noise) && bent < 2.0 * fabs(jump)) found[count++] = i;
    }
    return count;
}

void lay_frames(Doubles samples, Doubles slopes, Doubles calm, Doubles centres, Doubles middle, Doubles slope,
                Doubles cycles, double bent, double low, double high, Table<double> out) {
    for (int64_t i = 0; i < centres.n; i++) {
        double wanted = cycles[i];
        for (int turn = 0; turn < 3 && wanted > 2.0; turn++) {
            if (!(bend(samples, calm, centres[i], 0.5 * wanted / slope[i]) > bent * slope[i])) break;
            wanted = most(2.0 * floor(0.25 * wanted), 2.0);
        }
        const double room = least(middle[i] - low, high - middle[i]);
        wanted = least(wanted, most(2.0 * floor(room), 2.0));
        const double half = 0.5 * wanted / slope[i], offs[] = {-half, -0.5 * half, half, 0.5 * half};
        double lowest = slope[i];
        for (const double off : offs) {
            lowest = least(lowest, between(samples, slopes, centres[i] + off));
        }
        out[0][i] = wanted;
        out[1][i] = least(most(middle[i], low + 0.5 * wanted), high - 0.5 * wanted);
        out[2][i] = lowest;
    }
}

}  // namespace listen::LISTEN_LEVEL
