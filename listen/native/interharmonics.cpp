// What lies between the harmonics of frames of the residual: several frames at a time, one a lane.
#include <math.h>
#include <string.h>

#include "kernels.hpp"
#include "turns.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

using V = Lanes<float>;
constexpr int W = WIDTH<float>;
constexpr int64_t ADDED = 64;
// In single precision no more than so many numbers are added up at a time.
constexpr float FAR_AWAY = 3e38f;
// In place of what does not count.

// The bits of a number that is not negative rise as it does: a place half way between two of them is found at once.
LISTEN_INLINE int32_t bits_of(float value) {
    int32_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits;
}

LISTEN_INLINE float of_bits(int32_t bits) {
    float value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

// Put the bins between the harmonics, the half orders below the sixth left out, into ``places``: how many.
int64_t interharmonic_bins(int64_t m, int64_t bins, Row<int32_t> places) {
    int64_t count = 0;
    for (int64_t k = 0; k * m < bins; k++) {
        const int64_t skipped = m % 2 == 0 && k < 6 ? k * m + m / 2 : -1;
        for (int64_t b = k * m + 2; b < least(k * m + m - 1, bins); b++) {
            if (b != skipped) places[count++] = (int32_t)b;
        }
    }
    return count;
}

// How many of the rising places[0 .. count] lie below ``lowest``.
int64_t first_from(Row<int32_t> places, int64_t count, int64_t lowest) {
    int64_t a = 0, b = count;
    while (a < b) {
        const int64_t middle = (a + b) / 2;
        if (places[middle] < lowest) {
            a = middle + 1;
        } else {
            b = middle;
        }
    }
    return a;
}

// Of a lane: which of the places count, how many, and the search for the middle one of their values.
struct Lane {
    int64_t first, stop, count, begin;
    // how many values are at most low, and at most high; the least one above low
    float low, high, following;
    int64_t below, upto;
    bool done;
};

// Sums of every lane, ``each`` giving what is added for a place. Four at a time: one waits for the one before.
template <class Each>
LISTEN_INLINE void add_up(int64_t places, double* sums, Each each) {
    for (int i = 0; i < W; i++) sums[i] = 0.0;
    for (int64_t start = 0; start < places; start += ADDED) {
        const int64_t stop = least(start + ADDED, places);
        V some[4] = {splat(0.0f), splat(0.0f), splat(0.0f), splat(0.0f)};
        int64_t j = start;
        for (; j + 4 <= stop; j += 4) {
            for (int k = 0; k < 4; k++) some[k] = some[k] + each(j + k);
        }
        for (; j < stop; j++) some[0] = some[0] + each(j);
        const V all = (some[0] + some[1]) + (some[2] + some[3]);
        for (int i = 0; i < W; i++) sums[i] += (double)all[i];
    }
}

// How many of each lane's values are at most a limit (exact up to 2^24), and the least one above it.
LISTEN_INLINE void look(const V* values, int64_t places, V limits, V* counts, V* following) {
    const V one = splat(1.0f), none = splat(0.0f), beyond = splat(FAR_AWAY);
    V count[4] = {none, none, none, none}, next[4] = {beyond, beyond, beyond, beyond};
    int64_t j = 0;
    const auto take = [&](int k, V value) {
        count[k] = count[k] + where_at_most(value, limits, one, none);
        const V above = where_at_most(value, limits, beyond, value);
        next[k] = where_at_most(next[k], above, next[k], above);
    };
    for (; j + 4 <= places; j += 4) {
        for (int k = 0; k < 4; k++) take(k, values[j + k]);
    }
    for (; j < places; j++) take(0, values[j]);
    *counts = (count[0] + count[1]) + (count[2] + count[3]);
    const V a = where_at_most(next[0], next[1], next[0], next[1]), b = where_at_most(next[2], next[3], next[2], next[3]);
    *following = where_at_most(a, b, a, b);
}

// Where to look next: near the end of the search at the next value, else where the rank lies if values lie evenly,
// every third time half way between the bits: then no search takes longer than a few halvings of these.
float next_limit(const Lane& lane, int64_t rank, int turn) {
    if (rank - lane.below <= 3 && lane.following > lane.low && lane.following < lane.high) return lane.following;
    const int32_t low = bits_of(lane.low), high = bits_of(lane.high), half = low + (high - low) / 2;
    if (turn % 3 == 2) return of_bits(half);
    const double share = ((double)(rank - lane.below) - 0.5) / (double)most(lane.upto - lane.below, 1);
    const float limit = (float)((double)lane.low + ((double)lane.high - (double)lane.low) * share);
    return limit > lane.low && limit < lane.high ? limit : of_bits(half);
}

// Middle one of each lane's values, none below 0, the lower of two; values that do not count are FAR_AWAY.
void find_medians(const V* values, int64_t places, const double* means, Lane* lanes, float* medians) {
    V limits = splat(0.0f), counts = limits, following = limits;
    for (int i = 0; i < W; i++) {
        Lane& lane = lanes[i];
        // half of all values are at most twice their mean; noise has its median at ln 2 of it
        lane.low = 0.0f;
        lane.high = (float)(2.001 * means[i]);
        lane.following = 0.0f;  // not known yet
        lane.below = 0;
        lane.upto = lane.count;
        lane.done = lane.count == 0 || !(lane.high > 0.0f);
        limits[i] = (float)(0.693 * means[i]);
        medians[i] = lane.high > 0.0f ? lane.high : 0.0f;
    }
    for (int turn = 0; turn < 100; turn++) {
        look(values, places, limits, &counts, &following);
        bool all = true;
        for (int i = 0; i < W; i++) {
            Lane& lane = lanes[i];
            const int64_t rank = (lane.count + 1) / 2, found = (int64_t)counts[i];
            if (lane.done) continue;
            if (found >= rank) {
                lane.high = limits[i];
                lane.upto = found;
                // the next value above low, or next to it: nothing lies between
                lane.done = limits[i] <= lane.following;
                medians[i] = limits[i];
            } else {
                lane.low = limits[i];
                lane.below = found;
                lane.following = following[i];
                lane.done = found == rank - 1;
                medians[i] = following[i];
            }
            const int32_t between = bits_of(lane.high) - bits_of(lane.low);
            if (!lane.done && between <= 1) {
                lane.done = true;
                medians[i] = lane.high;
            }
            if (!lane.done) limits[i] = next_limit(lane, rank, turn);
            all &= lane.done;
        }
        if (all) break;
    }
}

// Power at odd half orders below the sixth into out[3], their number into out[4].
void half_orders(const V* power, int lane, int64_t m, int64_t stop, int64_t bins, Row<double> out) {
    double half = 0.0, halves = 0.0;
    for (int64_t k = 0; m % 2 == 0 && m >= 4 && k < 6; k++) {
        const int64_t b = k * m + m / 2;
        if (b >= stop) break;
        halves += 1.0;
        // a line, not the skirt of a harmonic whose pitch jitters
        const float before = power[b - 2][lane], after = power[least(b + 2, bins - 1)][lane], here = power[b][lane];
        if (m < 8 || here > 4.0f * (before > after ? before : after)) half += (double)here;
    }
    out[3] = half;
    out[4] = halves;
}

// Read a group of frames: ``power`` of their bins; ``chosen`` has room for as many.
void read_frames(const V* power, V* chosen, int64_t bins, int64_t m, int64_t high, Ints last, Ints first,
                 Row<int32_t> places, int64_t known, Table<double> out) {
    Lane lanes[W];
    V firsts = splat(0.0f), stops = splat(0.0f), begins = splat(0.0f);
    int64_t upto = 0;
    for (int i = 0; i < W; i++) {
        const int64_t f = least((int64_t)i, out.rows - 1), stop = within(last[f], 0, bins);
        Lane& lane = lanes[i];
        lane.first = first_from(places, known, first[f]);
        lane.stop = most(first_from(places, known, stop), lane.first);
        lane.count = lane.stop - lane.first;
        lane.begin = first_from(places, known, most(first[f], high));
        firsts[i] = (float)lane.first;
        stops[i] = (float)lane.stop - 0.5f;
        begins[i] = (float)lane.begin;
        upto = most(upto, lane.stop);
        if (i < out.rows) half_orders(power, i, m, stop, bins, out[i]);
    }
    for (int64_t j = 0; j < upto; j++) {
        const V at = splat((float)j);
        const V low = where_at_most(firsts, at, power[places[j]], splat(FAR_AWAY));
        chosen[j] = where_at_most(at, stops, low, splat(FAR_AWAY));
    }
    const V none = splat(0.0f), limit = splat(0.5f * FAR_AWAY);
    double sums[W], means[W], loud[W], along[W];
    add_up(upto, sums, [&](int64_t j) { return where_at_most(chosen[j], limit, chosen[j], none); });
    for (int i = 0; i < W; i++) means[i] = sums[i] / (double)most(lanes[i].count, 1);
    float medians[W];
    find_medians(chosen, upto, means, lanes, medians);
    V tenfold = none;
    for (int i = 0; i < W; i++) tenfold[i] = (float)(10.0 * (double)medians[i]);
    const auto taken = [&](int64_t j) {
        const V there = where_at_most(chosen[j], limit, chosen[j], none);
        return where_at_most(begins, splat((float)j), where_at_most(there, tenfold, none, there), none);
    };
    add_up(upto, loud, taken);
    add_up(upto, along, [&](int64_t j) { return taken(j) * (float)places[j]; });
    for (int i = 0; i < (int)out.rows; i++) {
        const bool any = lanes[i].count > 0;
        out[i][0] = any ? (double)medians[i] : NAN;
        out[i][1] = any ? means[i] : NAN;
        out[i][2] = (double)lanes[i].count;
        out[i][5] = any ? loud[i] : 0.0;
        out[i][6] = any && loud[i] > 0.0 ? along[i] / loud[i] : NAN;
    }
}

// Lines at 1/2, 3/2 ... of the pitch with their phases, real and imaginary parts in turn; 0 where one does not fit.
void keep_halves(const Wave<float>* spectrum, int64_t m, int64_t bins, Table<float> out) {
    for (int64_t k = 0; 2 * k + 1 < out.columns; k++) {
        const int64_t b = k * m + m / 2;
        for (int64_t i = 0; i < out.rows; i++) {
            out[i][2 * k] = b < bins ? spectrum[b].re[i] : 0.0f;
            out[i][2 * k + 1] = b < bins ? spectrum[b].im[i] : 0.0f;
        }
    }
}

// Numbers of several frames at once, weighted 1 + cos(2 pi v), v the place in the frame from -1/2 to 1/2.
void weigh(Floats r, Ints centres, const Turns<float>& turns, V* to) {
    const float* row[W];
    for (int i = 0; i < W; i++) row[i] = &r[centres[least((int64_t)i, centres.n - 1)] - turns.size / 2];
    gather(row, turns.size, to);
    for (int64_t j = 0; j < turns.size; j++) to[j] = to[j] * (1.0f - turns.cosine[j]);
}

}  // namespace

int64_t interharmonic_room(int64_t size) { return Workplace<float>::length(size); }

void interharmonic_lines(Floats r, int64_t points, int64_t cycles, Ints centres, Ints last, Ints first, int64_t high,
                   Row<float> room, Row<int32_t> places, Table<double> out, Table<float> halves) {
    const int64_t size = cycles * points, bins = size / 2 + 1;
    const int64_t known = interharmonic_bins(cycles, bins, places);
    const Workplace<float> place(size, room);
    const float scale = (float)(1.0 / ((double)points * (double)points));
    for (int64_t i = 0; i < centres.n; i += W) {
        const int64_t many = least((int64_t)W, centres.n - i);
        weigh(r, {&centres[i], many}, place.turns, &place.here->re);
        Wave<float>* spectrum = spectra_of(place.here, place.other, size / 2, place.turns);
        keep_halves(spectrum, cycles, bins, {halves[i].data, many, halves.columns});
        V* power = &(spectrum == place.here ? place.other : place.here)->re;
        for (int64_t b = 0; b < bins; b++) {
            power[b] = (spectrum[b].re * spectrum[b].re + spectrum[b].im * spectrum[b].im) * scale;
        }
        read_frames(power, &spectrum->re, bins, cycles, high, {&last[i], many}, {&first[i], many}, places, known,
                    {out[i].data, many, out.columns});
    }
}

}  // namespace listen::LISTEN_LEVEL
