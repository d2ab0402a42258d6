// Which kernels suit this processor: on x86 those of the highest level of the System V ABI ("x86-64 psABI",
// micro-architecture levels) that processor and system have.
#include <stdlib.h>
#include <string.h>

#include "arrays.hpp"

#if defined(LISTEN_X86)
#if defined(_MSC_VER) && !defined(__clang__)
#include <intrin.h>
#else
#include <cpuid.h>
#endif
#endif

namespace listen {

#if defined(LISTEN_X86)
namespace x86_64_v2 {
extern const Kernels kernels;
}
namespace x86_64_v3 {
extern const Kernels kernels;
}
namespace x86_64_v4 {
extern const Kernels kernels;
}
#else
namespace plain {
extern const Kernels kernels;
}
#endif

namespace {

struct Level {
    const char* name;
    const Kernels* kernels;
    bool (*suits)();
};

#if defined(LISTEN_X86)

void cpuid(unsigned leaf, unsigned sub, unsigned out[4]) {
#if defined(_MSC_VER) && !defined(__clang__)
    __cpuidex((int*)out, (int)leaf, (int)sub);
#else
    out[0] = out[1] = out[2] = out[3] = 0;
    __get_cpuid_count(leaf, sub, &out[0], &out[1], &out[2], &out[3]);
#endif
}

// Registers that the system saves when it changes from one program to another.
unsigned saved_registers() {
    unsigned out[4];
    cpuid(1, 0, out);
    if (!(out[2] & (1u << 27))) return 0;  // OSXSAVE
#if defined(_MSC_VER) && !defined(__clang__)
    return (unsigned)_xgetbv(0);
#else
    unsigned low, high;
    __asm__ volatile("xgetbv" : "=a"(low), "=d"(high) : "c"(0));
    return low;
#endif
}

bool all_of(unsigned bits, unsigned wanted) { return (bits & wanted) == wanted; }

bool suits_v2() { return true; }  // NumPy needs as much

bool suits_v3() {
    unsigned first[4], seventh[4], extended[4];
    cpuid(1, 0, first);
    cpuid(7, 0, seventh);
    cpuid(0x80000001u, 0, extended);
    const unsigned fma_movbe_avx_f16c = 1u << 12 | 1u << 22 | 1u << 28 | 1u << 29;
    const unsigned bmi1_avx2_bmi2 = 1u << 3 | 1u << 5 | 1u << 8;
    const unsigned lzcnt = 1u << 5, xmm_ymm = 0x6;
    return all_of(first[2], fma_movbe_avx_f16c) && all_of(seventh[1], bmi1_avx2_bmi2) && all_of(extended[2], lzcnt) &&
           all_of(saved_registers(), xmm_ymm);
}

bool suits_v4() {
    unsigned seventh[4];
    cpuid(7, 0, seventh);
    const unsigned avx512_f_dq_cd_bw_vl = 1u << 16 | 1u << 17 | 1u << 28 | 1u << 30 | 1u << 31;
    const unsigned xmm_ymm_masks_zmm = 0xe6;
    return suits_v3() && all_of(seventh[1], avx512_f_dq_cd_bw_vl) && all_of(saved_registers(), xmm_ymm_masks_zmm);
}

constexpr Level LEVELS[] = {
    {"x86-64-v4", &x86_64_v4::kernels, suits_v4},
    {"x86-64-v3", &x86_64_v3::kernels, suits_v3},
    {"x86-64-v2", &x86_64_v2::kernels, suits_v2},
};

#else

bool suits() { return true; }

constexpr Level LEVELS[] = {{"plain", &plain::kernels, suits}};

#endif

}  // namespace

const Kernels* chosen = nullptr;

// The level asked for by LISTEN_KERNELS if the processor has it (for tests), else the highest one.
const char* choose_level() {
    const char* asked = getenv("LISTEN_KERNELS");
    const Level* found = nullptr;
    for (const Level& level : LEVELS) {
        if (!level.suits()) continue;
        if (!found || (asked && strcmp(asked, level.name) == 0)) found = &level;
    }
    chosen = found->kernels;
    return found->name;
}

}  // namespace listen

#ifdef LISTEN_CHECKED
#include <stdio.h>

extern "C" void listen_outside(int64_t index, int64_t length) {
    fprintf(stderr, "index %lld lies outside of an array of %lld\n", (long long)index, (long long)length);
    abort();
}
#endif
