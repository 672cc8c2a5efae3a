#include "textflag.h"

// Sixteen inputs are hashed side by side: each register holds one word of all of them. What a
// function of BLAKE3 does is in its paper, "BLAKE3: one function, fast everywhere", section 2.

DATA iv<>+0(SB)/4, $0x6a09e667
DATA iv<>+4(SB)/4, $0xbb67ae85
DATA iv<>+8(SB)/4, $0x3c6ef372
DATA iv<>+12(SB)/4, $0xa54ff53a
DATA iv<>+16(SB)/4, $0x510e527f
DATA iv<>+20(SB)/4, $0x9b05688c
DATA iv<>+24(SB)/4, $0x1f83d9ab
DATA iv<>+28(SB)/4, $0x5be0cd19
GLOBL iv<>(SB), RODATA|NOPTR, $32

DATA lanes<>+0(SB)/8, $0x0000000100000000
DATA lanes<>+8(SB)/8, $0x0000000300000002
DATA lanes<>+16(SB)/8, $0x0000000500000004
DATA lanes<>+24(SB)/8, $0x0000000700000006
DATA lanes<>+32(SB)/8, $0x0000000900000008
DATA lanes<>+40(SB)/8, $0x0000000b0000000a
DATA lanes<>+48(SB)/8, $0x0000000d0000000c
DATA lanes<>+56(SB)/8, $0x0000000f0000000e
GLOBL lanes<>(SB), RODATA|NOPTR, $64

// Which of 32 words in two registers are the left of two, and which the right.
DATA lefts<>+0(SB)/8, $0x0000000200000000
DATA lefts<>+8(SB)/8, $0x0000000600000004
DATA lefts<>+16(SB)/8, $0x0000000a00000008
DATA lefts<>+24(SB)/8, $0x0000000e0000000c
DATA lefts<>+32(SB)/8, $0x0000001200000010
DATA lefts<>+40(SB)/8, $0x0000001600000014
DATA lefts<>+48(SB)/8, $0x0000001a00000018
DATA lefts<>+56(SB)/8, $0x0000001e0000001c
GLOBL lefts<>(SB), RODATA|NOPTR, $64

DATA rights<>+0(SB)/8, $0x0000000300000001
DATA rights<>+8(SB)/8, $0x0000000700000005
DATA rights<>+16(SB)/8, $0x0000000b00000009
DATA rights<>+24(SB)/8, $0x0000000f0000000d
DATA rights<>+32(SB)/8, $0x0000001300000011
DATA rights<>+40(SB)/8, $0x0000001700000015
DATA rights<>+48(SB)/8, $0x0000001b00000019
DATA rights<>+56(SB)/8, $0x0000001f0000001d
GLOBL rights<>(SB), RODATA|NOPTR, $64

// The state, and the words of a block in the places where turn leaves them.
#define V0 Z0
#define V1 Z1
#define V2 Z2
#define V3 Z3
#define V4 Z4
#define V5 Z5
#define V6 Z6
#define V7 Z7
#define V8 Z12
#define V9 Z18
#define V10 Z22
#define V11 Z24
#define V12 Z25
#define V13 Z26
#define V14 Z27
#define V15 Z30
#define M0 Z21
#define M1 Z10
#define M2 Z23
#define M3 Z20
#define M4 Z9
#define M5 Z11
#define M6 Z13
#define M7 Z15
#define M8 Z29
#define M9 Z14
#define M10 Z31
#define M11 Z28
#define M12 Z17
#define M13 Z8
#define M14 Z19
#define M15 Z16

// Each of these leaves the lower part of what two registers give in t, the upper in a; b is
// free then.
#define DWORDS(a, b, t) \
	VPUNPCKLDQ b, a, t; \
	VPUNPCKHDQ b, a, a

#define QWORDS(a, b, t) \
	VPUNPCKLQDQ b, a, t; \
	VPUNPCKHQDQ b, a, a

#define HALVES(a, b, t) \
	VSHUFI32X4 $0x44, b, a, t; \
	VSHUFI32X4 $0xee, b, a, a

#define QUARTERS(a, b, t) \
	VSHUFI32X4 $0x88, b, a, t; \
	VSHUFI32X4 $0xdd, b, a, a

// TURN makes of 16 blocks, each in a register from Z16 to Z31, the registers M0 to M15, each
// with one word of all blocks. V0 to V7 stay as they are.
#define TURN \
	DWORDS(Z16, Z17, Z8); \
	DWORDS(Z18, Z19, Z9); \
	DWORDS(Z20, Z21, Z10); \
	DWORDS(Z22, Z23, Z11); \
	DWORDS(Z24, Z25, Z12); \
	DWORDS(Z26, Z27, Z13); \
	DWORDS(Z28, Z29, Z14); \
	DWORDS(Z30, Z31, Z15); \
	QWORDS(Z8, Z9, Z17); \
	QWORDS(Z16, Z18, Z19); \
	QWORDS(Z10, Z11, Z21); \
	QWORDS(Z20, Z22, Z23); \
	QWORDS(Z12, Z13, Z25); \
	QWORDS(Z24, Z26, Z27); \
	QWORDS(Z14, Z15, Z29); \
	QWORDS(Z28, Z30, Z31); \
	HALVES(Z17, Z21, Z9); \
	HALVES(Z25, Z29, Z18); \
	HALVES(Z8, Z10, Z11); \
	HALVES(Z12, Z14, Z22); \
	HALVES(Z19, Z23, Z13); \
	HALVES(Z27, Z31, Z26); \
	HALVES(Z16, Z20, Z15); \
	HALVES(Z24, Z28, Z30); \
	QUARTERS(Z9, Z18, Z21); \
	QUARTERS(Z17, Z25, Z29); \
	QUARTERS(Z11, Z22, Z10); \
	QUARTERS(Z8, Z12, Z14); \
	QUARTERS(Z13, Z26, Z23); \
	QUARTERS(Z19, Z27, Z31); \
	QUARTERS(Z15, Z30, Z20); \
	QUARTERS(Z16, Z24, Z28)

// HALF is half of four quarter rounds: it adds the words x to z, and turns by r and s bits.
#define HALF(x0, x1, x2, x3, a0, a1, a2, a3, b0, b1, b2, b3, c0, c1, c2, c3, d0, d1, d2, d3, r, s) \
	VPADDD x0, a0, a0; \
	VPADDD x1, a1, a1; \
	VPADDD x2, a2, a2; \
	VPADDD x3, a3, a3; \
	VPADDD b0, a0, a0; \
	VPADDD b1, a1, a1; \
	VPADDD b2, a2, a2; \
	VPADDD b3, a3, a3; \
	VPXORD a0, d0, d0; \
	VPXORD a1, d1, d1; \
	VPXORD a2, d2, d2; \
	VPXORD a3, d3, d3; \
	VPRORD $r, d0, d0; \
	VPRORD $r, d1, d1; \
	VPRORD $r, d2, d2; \
	VPRORD $r, d3, d3; \
	VPADDD d0, c0, c0; \
	VPADDD d1, c1, c1; \
	VPADDD d2, c2, c2; \
	VPADDD d3, c3, c3; \
	VPXORD c0, b0, b0; \
	VPXORD c1, b1, b1; \
	VPXORD c2, b2, b2; \
	VPXORD c3, b3, b3; \
	VPRORD $s, b0, b0; \
	VPRORD $s, b1, b1; \
	VPRORD $s, b2, b2; \
	VPRORD $s, b3, b3

#define COLUMNS(x0, x1, x2, x3, r, s) \
	HALF(x0, x1, x2, x3, V0, V1, V2, V3, V4, V5, V6, V7, V8, V9, V10, V11, V12, V13, V14, V15, r, s)

#define DIAGONALS(x0, x1, x2, x3, r, s) \
	HALF(x0, x1, x2, x3, V0, V1, V2, V3, V5, V6, V7, V4, V10, V11, V8, V9, V15, V12, V13, V14, r, s)

#define ROUND(x0, x1, x2, x3, x4, x5, x6, x7, x8, x9, x10, x11, x12, x13, x14, x15) \
	COLUMNS(x0, x2, x4, x6, 16, 12); \
	COLUMNS(x1, x3, x5, x7, 8, 7); \
	DIAGONALS(x8, x10, x12, x14, 16, 12); \
	DIAGONALS(x9, x11, x13, x15, 8, 7)

// COMPRESS is the seven rounds, each with the words in the next order, and what they leave of
// the state for the next block. V12 to V15 are set before: counter, length, flags.
#define COMPRESS \
	VPBROADCASTD iv<>+0(SB), V8; \
	VPBROADCASTD iv<>+4(SB), V9; \
	VPBROADCASTD iv<>+8(SB), V10; \
	VPBROADCASTD iv<>+12(SB), V11; \
	ROUND(M0, M1, M2, M3, M4, M5, M6, M7, M8, M9, M10, M11, M12, M13, M14, M15); \
	ROUND(M2, M6, M3, M10, M7, M0, M4, M13, M1, M11, M12, M5, M9, M14, M15, M8); \
	ROUND(M3, M4, M10, M12, M13, M2, M7, M14, M6, M5, M9, M0, M11, M15, M8, M1); \
	ROUND(M10, M7, M12, M9, M14, M3, M13, M15, M4, M0, M11, M2, M5, M8, M1, M6); \
	ROUND(M12, M13, M9, M11, M15, M10, M14, M8, M7, M2, M5, M3, M0, M1, M6, M4); \
	ROUND(M9, M14, M11, M5, M8, M12, M15, M1, M13, M3, M0, M10, M2, M6, M4, M7); \
	ROUND(M11, M15, M5, M0, M1, M9, M8, M6, M14, M10, M2, M12, M3, M4, M7, M13); \
	VPXORD V8, V0, V0; \
	VPXORD V9, V1, V1; \
	VPXORD V10, V2, V2; \
	VPXORD V11, V3, V3; \
	VPXORD V12, V4, V4; \
	VPXORD V13, V5, V5; \
	VPXORD V14, V6, V6; \
	VPXORD V15, V7, V7

#define BEGIN \
	VPBROADCASTD iv<>+0(SB), V0; \
	VPBROADCASTD iv<>+4(SB), V1; \
	VPBROADCASTD iv<>+8(SB), V2; \
	VPBROADCASTD iv<>+12(SB), V3; \
	VPBROADCASTD iv<>+16(SB), V4; \
	VPBROADCASTD iv<>+20(SB), V5; \
	VPBROADCASTD iv<>+24(SB), V6; \
	VPBROADCASTD iv<>+28(SB), V7

// A row of values is 1024 bytes long.
#define STORE \
	VMOVDQU32 V0, (DI); \
	VMOVDQU32 V1, 1024(DI); \
	VMOVDQU32 V2, 2048(DI); \
	VMOVDQU32 V3, 3072(DI); \
	VMOVDQU32 V4, 4096(DI); \
	VMOVDQU32 V5, 5120(DI); \
	VMOVDQU32 V6, 6144(DI); \
	VMOVDQU32 V7, 7168(DI); \
	VZEROUPPER

// func hashChunks(to *uint32, chunks *byte, counter uint64)
TEXT ·hashChunks(SB), NOSPLIT, $0-24
	MOVQ to+0(FP), DI
	MOVQ chunks+8(FP), SI
	MOVQ counter+16(FP), AX
	MOVQ AX, BX
	SHRQ $32, BX
	MOVL $64, CX
	MOVL $1, DX                     // the first block's flag
	MOVL $16, R8                    // blocks left
	BEGIN

block:
	VMOVDQU32 (SI), Z16
	VMOVDQU32 1024(SI), Z17
	VMOVDQU32 2048(SI), Z18
	VMOVDQU32 3072(SI), Z19
	VMOVDQU32 4096(SI), Z20
	VMOVDQU32 5120(SI), Z21
	VMOVDQU32 6144(SI), Z22
	VMOVDQU32 7168(SI), Z23
	VMOVDQU32 8192(SI), Z24
	VMOVDQU32 9216(SI), Z25
	VMOVDQU32 10240(SI), Z26
	VMOVDQU32 11264(SI), Z27
	VMOVDQU32 12288(SI), Z28
	VMOVDQU32 13312(SI), Z29
	VMOVDQU32 14336(SI), Z30
	VMOVDQU32 15360(SI), Z31
	TURN
	VPBROADCASTD AX, V12
	VPADDD lanes<>(SB), V12, V12
	VPBROADCASTD BX, V13
	VPBROADCASTD CX, V14
	VPBROADCASTD DX, V15
	COMPRESS
	ADDQ $64, SI
	XORL DX, DX
	DECL R8
	CMPL R8, $1
	JHI  block
	MOVL $2, DX                     // the last block's flag
	JEQ  block
	STORE
	RET

#define CHILDREN(at, left, right) \
	VMOVDQU32 at(SI), left; \
	VMOVDQA32 left, right; \
	VPERMT2D at+64(SI), V8, left; \
	VPERMT2D at+64(SI), V9, right

// func hashParents(to, children *uint32)
TEXT ·hashParents(SB), NOSPLIT, $0-16
	MOVQ to+0(FP), DI
	MOVQ children+8(FP), SI
	MOVL $64, CX
	MOVL $4, DX                     // a parent's flag
	VMOVDQU32 lefts<>(SB), V8
	VMOVDQU32 rights<>(SB), V9
	CHILDREN(0, M0, M8)
	CHILDREN(1024, M1, M9)
	CHILDREN(2048, M2, M10)
	CHILDREN(3072, M3, M11)
	CHILDREN(4096, M4, M12)
	CHILDREN(5120, M5, M13)
	CHILDREN(6144, M6, M14)
	CHILDREN(7168, M7, M15)
	BEGIN
	VPXORD V12, V12, V12
	VPXORD V13, V13, V13
	VPBROADCASTD CX, V14
	VPBROADCASTD DX, V15
	COMPRESS
	STORE
	RET
