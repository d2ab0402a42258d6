// Spectra of many rows of real numbers, and rows that have given spectra.
#include "fft.hpp"

#include "kernels.hpp"
#include "turns.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

template <class T>
void spectra(Table<const T> frames, Row<T> room, Cube<T> out) {
    const int64_t n = frames.columns / 2;
    const Workplace<T> place(frames.columns, room);
    for (int64_t i = 0; i < frames.rows; i += WIDTH<T>) {
        const int64_t many = least((int64_t)WIDTH<T>, frames.rows - i);
        gather(frames[i].data, frames.columns, many, frames.columns, &place.here->re);
        const Wave<T>* found = spectra_of(place.here, place.other, n, place.turns);
        scatter(&found->re, 2 * n + 2, many, out[i].data, 2 * out.rows);
    }
}

template <class T>
void rows(Cube<const T> spectra, T scale, Row<T> room, Table<T> out) {
    const int64_t n = out.columns / 2;
    const Workplace<T> place(out.columns, room);
    for (int64_t i = 0; i < out.rows; i += WIDTH<T>) {
        const int64_t many = least((int64_t)WIDTH<T>, out.rows - i);
        gather(spectra[i].data, 2 * spectra.rows, many, 2 * n + 2, &place.here->re);
        const Wave<T>* found = rows_of(place.here, place.other, n, place.turns, scale);
        scatter(&found->re, 2 * n, many, out[i].data, out.columns);
    }
}

}  // namespace

int64_t room_for(int64_t size, int64_t item) {
    return item == 4 ? Workplace<float>::length(size) : Workplace<double>::length(size);
}

void spectra_single(Table<const float> frames, Row<float> room, Cube<float> out) { spectra(frames, room, out); }

void spectra_double(Table<const double> frames, Row<double> room, Cube<double> out) { spectra(frames, room, out); }

void rows_single(Cube<const float> spectra, double scale, Row<float> room, Table<float> out) {
    rows(spectra, (float)scale, room, out);
}

}  // namespace listen::LISTEN_LEVEL
