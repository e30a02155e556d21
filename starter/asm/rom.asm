; Read-only memory for rehearsals: a tape loader of our own that takes a machine-code tape of the class bit for bit as
; its own loader does (clock pulse, data pulse 1 ms later; A5h ends the leader), and starts it when told to. At 0 it
; does what the class does with a boot disk: reads the first sector to 4200h and jumps there.

port:	equ 0ffh
command: equ 37ech

	org 0
	jp boot
	defs 10h-$

; load: reads a machine-code tape; then 4000h holds 1 (good) or 2 (a checksum was wrong), 4001h the entry.
load:	di
	ld sp,42ffh
	xor a
	ld (4000h),a
	ld a,4
	out (port),a
leader:	call bit
	rl d
	ld a,d
	cp 0a5h
	jr nz,leader
	call byte
	cp 55h
	jr nz,bad
	ld b,6
name:	call byte
	djnz name
blocks:	call byte
	cp 78h
	jr z,entry
	cp 3ch
	jr nz,bad
	call byte
	ld b,a			; 0 stands for 256
	call byte
	ld l,a
	call byte
	ld h,a
	add a,l
	ld c,a
data:	call byte
	ld (hl),a
	inc hl
	add a,c
	ld c,a
	djnz data
	call byte
	cp c
	jr z,blocks
bad:	ld a,2
	ld (4000h),a
	halt
entry:	call byte
	ld l,a
	call byte
	ld h,a
	ld (4001h),hl
	ld a,1
	ld (4000h),a
	ld a,0			; the motor stops until the person says go
	out (port),a
	halt
	ld hl,(4001h)
	jp (hl)

; byte: A. Keeps BC and HL.
byte:	ld e,8
byte1:	call bit
	rl d
	dec e
	jr nz,byte1
	ld a,d
	ret

; bit: carry. Waits for the clock pulse, looks for a data pulse 1 ms later. Keeps BC, DE and HL.
bit:	push bc
clock:	in a,(port)
	rlca
	jr nc,clock
	ld b,48			; 0.5 ms
bit1:	djnz bit1
	ld a,4
	out (port),a
	ld b,150		; 1.1 ms on: between the data pulse and the next clock
bit2:	djnz bit2
	in a,(port)
	rlca
	push af
	ld a,4
	out (port),a
	pop af
	pop bc
	ret

boot:	di
	ld a,1
	ld (37e0h),a
	ld de,0
boot1:	ld a,(command)
	rlca
	jr nc,boot2
	dec de
	ld a,d
	or e
	jr nz,boot1
	halt
boot2:	ld a,3
	ld (command),a
	ld b,10
boot3:	djnz boot3
boot4:	ld a,(command)
	rrca
	jr c,boot4
	xor a
	ld (37eeh),a
	ld hl,command
	ld de,4200h
	ld (hl),8ch
	ld b,10
boot5:	djnz boot5
boot6:	bit 1,(hl)
	jr z,boot7
	ld a,(37efh)
	ld (de),a
	inc e
	jr nz,boot6
boot8:	bit 0,(hl)
	jr nz,boot8
	jp 4200h
boot7:	bit 0,(hl)
	jr nz,boot6
	halt
