// A frame's lines: its harmonics, how far their phases run, and what lies between them.
#include <math.h>
#include <string.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

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

int64_t at_most(Row<float> values, int64_t count, float limit) {
    int32_t found = 0;
    for (int64_t i = 0; i < count; i++) found += values[i] <= limit ? 1 : 0;
    return found;
}

// Middle one of values[0 .. count], none below 0, the lower of two; few: room for one more than shall be sorted.
//
// It lies not above ``high``, and probably above ``low``. The place is halved until few values are left to sort.
float median(Row<float> values, int64_t count, float low, float high, Row<int32_t> few) {
    const int64_t rank = (count + 1) / 2;
    int32_t a = bits_of(low), b = bits_of(high);
    int64_t below = at_most(values, count, low), upto = count;
    if (below >= rank) {
        b = a;
        a = -1;
        below = 0;
    }
    // the value lies above a, not above b
    while (upto - below >= few.n && b - a > 1) {
        const int32_t middle = a + (b - a) / 2;
        const int64_t found = at_most(values, count, of_bits(middle));
        if (found >= rank) {
            b = middle;
            upto = found;
        } else {
            a = middle;
            below = found;
        }
    }
    if (b - a == 1) return of_bits(b);
    // every value is written, and kept or written over: a branch that cannot be foreseen costs more
    int64_t kept = 0;
    for (int64_t i = 0; i < count; i++) {
        const int32_t value = bits_of(values[i]);
        few[kept] = value;
        kept += a < value && value <= b && kept < few.n - 1 ? 1 : 0;
    }
    for (int64_t i = 1; i < kept; i++) {
        const int32_t value = few[i];
        int64_t j = i;
        for (; j > 0 && few[j - 1] > value; j--) few[j] = few[j - 1];
        few[j] = value;
    }
    // nothing lies between them only where the numbers are not finite: no place of ``few`` is read that was not filled
    return of_bits(kept > 0 ? few[least(most(rank - below, 1), kept) - 1] : b);
}

// Power at odd half orders below the sixth into out[3], their number into out[4].
void half_orders(Row<float> power, int64_t m, int64_t stop, int64_t bins, Row<double> out) {
    double half = 0.0, halves = 0.0;
    for (int64_t k = 0; m % 2 == 0 && m >= 4 && k < 6; k++) {
        const int64_t b = k * m + m / 2;
        if (b >= stop) break;
        halves += 1.0;
        // a line, not the skirt of a harmonic whose pitch jitters
        const float before = power[b - 2], after = power[least(b + 2, bins - 1)];
        if (m < 8 || power[b] > 4.0f * (before > after ? before : after)) half += (double)power[b];
    }
    out[3] = half;
    out[4] = halves;
}

// Put the bins between the harmonics, the half orders below the sixth left out, into ``places``: how many.
int64_t bins_between(int64_t m, int64_t bins, Row<int32_t> places) {
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

// Power of values[first .. count] above a limit into out[5], their mean place into out[6].
void loud(Row<float> values, Row<int32_t> places, int64_t skipped, int64_t first, int64_t count, float limit,
          Row<double> out) {
    double total = 0.0, place = 0.0;
    for (int64_t j = first; j < count; j++) {
        const double taken = values[j] > limit ? (double)values[j] : 0.0;
        total += taken;
        place += taken * (double)places[skipped + j];
    }
    out[5] = total;
    out[6] = total > 0.0 ? place / total : NAN;
}

}  // namespace

void between_lines(Cube<const float> spectrum, double scale, int64_t cycles, Ints last, Ints first, int64_t high,
                   Table<float> power, Row<int32_t> few, Row<int32_t> places, Table<double> out) {
    const int64_t bins = spectrum.rows, known = bins_between(cycles, bins, places);
    const float narrow = (float)scale;
    const Row<float> all = power[0], chosen = power[1];
    for (int64_t i = 0; i < spectrum.n; i++) {
        const int64_t stop = within(last[i], 0, bins);
        const Row<const float> parts = {spectrum[i].data, 2 * bins};
        LISTEN_INDEPENDENT
        for (int64_t b = 0; b < least(stop + 3, bins); b++) {
            const float re = parts[2 * b], im = parts[2 * b + 1];
            all[b] = narrow * (re * re + im * im);
        }
        const Row<double> row = out[i];
        half_orders(all, cycles, stop, bins, row);
        const int64_t below = first_from(places, known, first[i]);
        const int64_t count = most(first_from(places, known, stop) - below, 0);
        row[2] = (double)count;
        row[0] = row[1] = row[6] = NAN;
        row[5] = 0.0;
        if (count == 0) continue;
        LISTEN_INDEPENDENT
        for (int64_t j = 0; j < count; j++) chosen[j] = all[places[below + j]];
        double total = 0.0;
        for (int64_t j = 0; j < count; j++) total += (double)chosen[j];
        const double mean = total / (double)count;
        // half of all values are at most twice their mean
        const float middle = median(chosen, count, (float)(mean / 64.0), (float)(2.001 * mean), few);
        row[0] = (double)middle;
        row[1] = mean;
        const int64_t begin = first_from(places, known, most(first[i], high)) - below;
        loud(chosen, places, below, begin, count, (float)(10.0 * (double)middle), row);
    }
}

void line_pitches(Block<const double> spectra, Doubles scale, Ints tops, Ints cycles, double apart,
                  Cube<double> amplitude, Table<double> turned, Row<int64_t> used, Table<double> sums,
                  Row<int64_t> far) {
    const int64_t few = turned.columns, columns = amplitude.rows;
    for (int64_t k = 0; k < few; k++) far[k] = 0;
    for (int64_t i = 0; i < amplitude.n; i++) {
        const Row<const double> folded = {spectra[0][i].data, 2 * spectra.rows};
        const Row<const double> tilted = {spectra[1][i].data, 2 * spectra.rows};
        const Row<double> line = {amplitude[i].data, 2 * columns};
        const int64_t kept = least(within(tops[i], 0, FAR) + 1, columns);
        LISTEN_INDEPENDENT
        for (int64_t k = 0; k < 2 * kept; k++) line[k] = scale[i] * folded[k];
        for (int64_t k = 2 * kept; k < 2 * columns; k++) line[k] = 0.0;
        line[0] *= 0.5;
        line[1] = 0.0;
        double total = 0.0, own = NAN;
        for (int64_t k = 1; k <= few; k++) {
            const double re = line[2 * k], im = line[2 * k + 1], power = re * re + im * im, order = (double)k;
            total += order * order * power;
            const double across = scale[i] * (tilted[2 * k + 1] * re - tilted[2 * k] * im);
            turned[i][k - 1] = across;
            const double off = across / (order * power) / (double)cycles[i];
            if (k == 1) own = off;
            far[k - 1] += fabs(off - own) > apart ? 1 : 0;
        }
        double gathered = 0.0, along = 0.0;
        int64_t k = 0;
        do {
            k++;
            const double power = line[2 * k] * line[2 * k] + line[2 * k + 1] * line[2 * k + 1];
            gathered += (double)(k * k) * power;
            along += (double)k * turned[i][k - 1];
        } while (gathered < 0.98 * total && k < few);
        used[i] = k;
        sums[i][0] = along;
        sums[i][1] = gathered;
    }
}

}  // namespace listen::LISTEN_LEVEL
