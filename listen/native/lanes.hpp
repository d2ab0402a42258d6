// As many numbers as the processor works on at once, one from each of as many rows.
#pragma once

#include <utility>

#include "views.hpp"

#if defined(__AVX512F__)
#define LISTEN_LANE_BYTES 64
#elif defined(__AVX2__)
#define LISTEN_LANE_BYTES 32
#else
#define LISTEN_LANE_BYTES 16
#endif

#if defined(__clang__) || (defined(__GNUC__) && __GNUC__ >= 12)
#define LISTEN_SHUFFLE 1
#endif

namespace listen::LISTEN_LEVEL {

#if defined(__GNUC__)
template <class T>
struct LanesOf {
    typedef T type __attribute__((vector_size(LISTEN_LANE_BYTES)));
};
#else
template <class T>
struct alignas(LISTEN_LANE_BYTES) Several {
    T v[LISTEN_LANE_BYTES / sizeof(T)];

    T& operator[](int i) { return v[i]; }
    T operator[](int i) const { return v[i]; }
#define LISTEN_OPERATOR(o)                                                                       \
    friend LISTEN_INLINE Several operator o(Several a, Several b) {                              \
        for (int i = 0; i < (int)(LISTEN_LANE_BYTES / sizeof(T)); i++) a.v[i] = a.v[i] o b.v[i]; \
        return a;                                                                                \
    }                                                                                            \
    friend LISTEN_INLINE Several operator o(Several a, T b) {                                    \
        for (int i = 0; i < (int)(LISTEN_LANE_BYTES / sizeof(T)); i++) a.v[i] = a.v[i] o b;      \
        return a;                                                                                \
    }
    LISTEN_OPERATOR(+)
    LISTEN_OPERATOR(-)
    LISTEN_OPERATOR(*)
    LISTEN_OPERATOR(/)
#undef LISTEN_OPERATOR
};
template <class T>
struct LanesOf {
    using type = Several<T>;
};
#endif

template <class T>
using Lanes = typename LanesOf<T>::type;

template <class T>
constexpr int WIDTH = LISTEN_LANE_BYTES / sizeof(T);

#if defined(LISTEN_SHUFFLE)
template <class V, int... I>
LISTEN_INLINE void interleave(V a, V b, V* low, V* high, std::integer_sequence<int, I...>) {
    constexpr int W = sizeof...(I);
    *low = __builtin_shufflevector(a, b, (I / 2 + I % 2 * W)...);
    *high = __builtin_shufflevector(a, b, (I / 2 + W / 2 + I % 2 * W)...);
}
#else
template <class V, int... I>
LISTEN_INLINE void interleave(V a, V b, V* low, V* high, std::integer_sequence<int, I...>) {
    constexpr int W = sizeof...(I);
    for (int i = 0; i < W; i++) {
        (*low)[i] = i % 2 ? b[i / 2] : a[i / 2];
        (*high)[i] = i % 2 ? b[i / 2 + W / 2] : a[i / 2 + W / 2];
    }
}
#endif

// Rows become columns: each of the steps makes the highest bit of a row's number the lowest one of a column's.
template <class T>
LISTEN_INLINE void transpose(Lanes<T>* square) {
    constexpr int W = WIDTH<T>;
    Lanes<T> turned[W];
    for (int step = 1; step < W; step *= 2) {
        for (int i = 0; i < W / 2; i++) {
            interleave(square[i], square[i + W / 2], &turned[2 * i], &turned[2 * i + 1],
                       std::make_integer_sequence<int, W>{});
        }
        for (int i = 0; i < W; i++) square[i] = turned[i];
    }
}

// A number in every lane.
template <class T>
LISTEN_INLINE Lanes<T> splat(T value) {
    return Lanes<T>{} + value;
}

// Of each lane ``yes`` where a is at most b, else ``no``.
template <class V>
LISTEN_INLINE V where_at_most(V a, V b, V yes, V no) {
#if defined(__GNUC__)
    return a <= b ? yes : no;
#else
    for (int i = 0; i < (int)(sizeof a.v / sizeof a.v[0]); i++) yes[i] = a[i] <= b[i] ? yes[i] : no[i];
    return yes;
#endif
}

template <class T>
LISTEN_INLINE Lanes<T> loaded(const T* from) {
    Lanes<T> lanes;
    __builtin_memcpy(&lanes, from, sizeof lanes);
    return lanes;
}

template <class T>
LISTEN_INLINE void stored(Lanes<T> lanes, T* to) {
    __builtin_memcpy(to, &lanes, sizeof lanes);
}

// So many numbers of WIDTH rows: lanes[j] has number j of each.
template <class T>
void gather(const T* const* row, int64_t length, Lanes<T>* lanes) {
    constexpr int W = WIDTH<T>;
    int64_t j = 0;
    for (; j + W <= length; j += W) {
        for (int i = 0; i < W; i++) lanes[j + i] = loaded(row[i] + j);
        transpose<T>(lanes + j);
    }
    for (; j < length; j++) {
        for (int i = 0; i < W; i++) lanes[j][i] = row[i][j];
    }
}

// The same of rows ``step`` apart, of which there are so many: the last one fills the other lanes.
template <class T>
LISTEN_INLINE void gather(const T* rows, int64_t step, int64_t many, int64_t length, Lanes<T>* lanes) {
    const T* row[WIDTH<T>];
    for (int i = 0; i < WIDTH<T>; i++) row[i] = rows + least((int64_t)i, many - 1) * step;
    gather(row, length, lanes);
}

// And back: rows[i * step + j] = number j of lane i, of so many rows.
template <class T>
void scatter(const Lanes<T>* lanes, int64_t length, int64_t many, T* rows, int64_t step) {
    constexpr int W = WIDTH<T>;
    int64_t j = 0;
    for (; j + W <= length; j += W) {
        Lanes<T> square[W];
        for (int i = 0; i < W; i++) square[i] = lanes[j + i];
        transpose<T>(square);
        for (int i = 0; i < W; i++) {
            if (i < many) stored(square[i], rows + i * step + j);
        }
    }
    for (; j < length; j++) {
        for (int64_t i = 0; i < many; i++) rows[i * step + j] = lanes[j][i];
    }
}

}  // namespace listen::LISTEN_LEVEL
