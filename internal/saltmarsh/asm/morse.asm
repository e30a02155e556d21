; MORSE: clicks a text as Morse code on the cassette port, for a loudspeaker on the recorder's plug.
; Assemble: z80asm -o morse.bin morse.asm    loads at 5200h, entry 5200h
        org     5200h
port:   equ     0ffh

start:  ld      hl, message
next:   ld      a, (hl)
        inc     hl
        or      a
        ret     z
        cp      ' '
        jr      z, space
        sub     'A'
        jr      c, next
        cp      26
        jr      nc, next
        push    hl
        ld      e, a
        ld      d, 0
        ld      hl, codes
        add     hl, de
        ld      c, (hl)         ; a 1, then the signs: 0 short, 1 long
        ld      b, 8
find:   sla     c
        dec     b
        jr      nc, find        ; the 1 is out: b signs are left
signs:  ld      a, b
        or      a
        jr      z, letter
        sla     c
        ld      d, 1
        jr      nc, key
        ld      d, 3
key:    call    tone
        dec     d
        jr      nz, key
        call    pause
        dec     b
        jr      signs
letter: call    pause
        call    pause
        pop     hl
        jr      next
space:  call    pause
        call    pause
        call    pause
        call    pause
        jr      next

tone:   push    bc
        ld      b, 80           ; 80 cycles of about 1 kHz
cycle:  ld      a, 1
        out     (port), a
        call    half
        ld      a, 2
        out     (port), a
        call    half
        djnz    cycle
        xor     a
        out     (port), a
        pop     bc
        ret
half:   push    bc
        ld      b, 60
short:  djnz    short
        pop     bc
        ret
pause:  push    bc
        ld      bc, 5500
loop:   dec     bc
        ld      a, b
        or      c
        jr      nz, loop
        pop     bc
        ret

; a leading 1, then the signs of A to Z from left to right, padded with 0 on the left
codes:  defb    00000101b, 00011000b, 00011010b, 00001100b, 00000010b, 00010010b, 00001110b
        defb    00010000b, 00000100b, 00010111b, 00001101b, 00010100b, 00000111b, 00000110b
        defb    00001111b, 00010110b, 00011101b, 00001010b, 00001000b, 00000011b, 00001001b
        defb    00010001b, 00001011b, 00011001b, 00011011b, 00011100b
message: defm   "SALTMARSH MUSEUM OPEN DAILY"
        defb    0
