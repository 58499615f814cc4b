#!/usr/bin/env bash
# Removes each rule of the switching board in turn, in a copy of the sources, and shows which tests fail.
# A rule whose removal no test notices fails this script.
#
#   firmware/remove-rules.sh            the library's own tests
#   firmware/remove-rules.sh --images   for the first four rules the images in their emulators, too
set -euo pipefail
cd "$(dirname "$0")/.."

images=false
[ "${1:-}" = --images ] && images=true

work=$PWD/target/rules
copy=$work/source
export CARGO_TARGET_DIR=$work/target
mkdir -p "$work"

# name | file | text that stands for the rule | text without it
rules=(
  'break before make|firmware/src/contacts.rs|self.switch.waits().break_us.into()|0'
  'channel range|firmware/src/sequencer.rs|if channel.0 < channels {|if channels > 0 {'
  'silence timer|firmware/src/board.rs|&& self.silence.is_over(now_us) {|&& now_us == u64::MAX {'
  'order of address bits|firmware/src/switch/multiplexer.rs|number >> bit & 1|number >> (ADDRESSES - 1 - bit) & 1'
  'open before another is closed|firmware/src/contacts.rs|let outcome = self.switch.open_all();|let outcome: Result<(), SwitchFault> = Ok(());'
  'everything open at start|firmware/src/contacts.rs|let _ = contacts.open();|contacts.contact = Contact::Open;'
  'make time|firmware/src/contacts.rs|u64::from(self.switch.waits().make_us).saturating_add(settle_us.into())|settle_us.into()'
  'settle time|firmware/src/sequencer.rs|self.contacts.settled(goal.settle_us)|self.contacts.settled(0)'
  'waits begin after the pins moved|firmware/src/contacts.rs|(self.contact, self.moved_us) = (contact, None);|self.contact = contact;'
  'only good frames feed the silence timer|firmware/src/board.rs|for &byte in bytes {|for &byte in bytes { self.silence.heard(now_us);'
  'only the ruling link feeds the silence timer|firmware/src/board.rs|if rules {
            self.silence.heard(now_us);
        }
        let outcome|self.silence.heard(now_us); let outcome'
  'a bad frame opens|firmware/src/board.rs|self.open_for(OpenReason::BadFrame, now_us);|'
  'the lid opens|firmware/src/board.rs|self.open_for(OpenReason::LidOpen, now_us);|'
  'a lid that is open refuses|firmware/src/board.rs|if lid_closed { Ok(()) }|if lid_closed \|\| now_us > 0 { Ok(()) }'
  'a deaf host opens|firmware/src/board.rs|self.open_for(OpenReason::HostDeaf, now_us);|'
  'another host opens|firmware/src/board.rs|self.sequencer.interrupt(reason, voice);|'
  'greeting first|firmware/src/board.rs|if rules \|\| matches!(request, Request::Greet { .. }) {|if rules \|\| seq != 0 {'
  'a superseded request is answered|firmware/src/sequencer.rs|voice.refuse(seq, Fault::Superseded);|let _ = (seq, &voice);'
  'an interrupted request is answered|firmware/src/sequencer.rs|voice.refuse(seq, Fault::Opened(reason));|let _ = (seq, reason, &voice);'
  'a failed closing opens|firmware/src/contacts.rs|self.contact = Contact::Unknown;
            let _ = self.open();|self.contact = Contact::Unknown;'
  'a failed opening keeps everything open|firmware/src/contacts.rs|if outcome.is_ok() { Contact::Open } else { Contact::Unknown }|Contact::Open'
  'lost messages are told|firmware/src/board.rs|link.tell_lost(now_us);|'
  'bits move only while outputs are disabled|firmware/src/switch/shift_register.rs|self.output_enable.set_high().map_err(\|_\| SwitchFault)?;|'
  'shift registers: the line opens|firmware/src/switch/shift_register.rs|let disabled = self.output_enable.set_high().map_err(\|_\| SwitchFault);|let disabled = Ok(());'
  'shift registers: empty bits open|firmware/src/switch/shift_register.rs|let emptied = self.shift([0; REGISTERS]);|let emptied = Ok(());'
  'shift registers: bits are read back|firmware/src/switch/shift_register.rs|if back != bits {|if back.is_empty() {'
  'expanders: the line opens|firmware/src/switch/expander.rs|let fell = self.reset.set_low();|let fell: Result<(), R::Error> = Ok(());'
  'expanders: the line is held|firmware/src/switch/expander.rs|let held = self.reset.set_low();|let held: Result<(), R::Error> = Ok(());'
  'expanders: pins are read back when opened|firmware/src/switch/expander.rs|self.check(chip, ALL_INPUTS).and(checked)|checked'
  'expanders: pins are read back when closed|firmware/src/switch/expander.rs|self.check(chip, !(1 << pin))?;|'
  'expanders: the level is read back|firmware/src/switch/expander.rs|if levels >> pin & 1 == 1 {|if levels < u16::MAX {'
  'expanders: the bus opens if the line does not|firmware/src/switch/expander.rs|let _ = self.bus.write(FIRST_ADDRESS \| chip, &[DIRECTIONS, a, b]);|let _ = (a, b);'
  'the button is debounced|firmware/src/panel.rs|self.button_pressed.sample(raw, BUTTON_DEBOUNCE_US, now_us)|self.button_pressed.sample(raw, 0, now_us)'
  'a lid that closes is debounced|firmware/src/panel.rs|if raw { LID_CLOSE_DEBOUNCE_US } else { 0 }|0'
  'the lid is looked at|firmware/src/panel.rs|sample.only_if(self.parts.lid \|\| self.parts.button)|sample.only_if(self.parts.button && !self.parts.lid)'
  'a sound ends|firmware/src/signals.rs|if at != u32::MAX {|if at == 77 {'
  'a blink of its own|firmware/src/signals.rs|Light::Differs => (RED, 0b0000_0101)|Light::Differs => (RED, 0b0101_0101)'
  'a melody of its own|firmware/src/signals.rs|Sound::Trouble => (0b0101_0101,|Sound::Trouble => (0b0001_0101,'
  'an unknown request opens|firmware/src/board.rs|if rules {
            self.open_for(OpenReason::BadFrame, now_us);
        }
        if let|if let'
  'a common version|firmware/src/board.rs|if newest < min.max(version::MIN) {|if newest < version::MIN {'
  'the bleed resistor goes off|firmware/src/board.rs|self.panel.bleed(wanted);|if wanted { self.panel.bleed(true); }'
)

fresh() {
  rm -rf "$copy"
  mkdir -p "$copy"
  tar --exclude=./target --exclude=./.git --exclude=node_modules -cf - . | tar -xf - -C "$copy"
}

failed() {
  sed -nE 's/^test ([a-z_:0-9]+) \.\.\. FAILED$/\1/p; s/^([a-z_:0-9]+) --- FAILED$/\1/p' "$1" | sort -u
}

unnoticed=0
number=0
printf '| rule removed | tests that fail |\n| --- | --- |\n'
for rule in "${rules[@]}"; do
  number=$((number + 1))
  # A bar inside of a text is written \|.
  IFS=$'\x1f' read -r -d '' name file from to < <(printf '%s\0' "$rule" | sed -z 's/\\|/\x1e/g; s/|/\x1f/g; s/\x1e/|/g') || true
  fresh
  FROM=$from TO=$to perl -0pi -e '
    $n = s/\Q$ENV{FROM}\E/$ENV{TO}/g;
    END { exit($n == 1 ? 0 : 1) }' "$copy/$file" || {
    echo "the text of the rule \"$name\" does not stand in $file exactly once" >&2
    exit 1
  }
  log=$work/$number.log
  survived=true
  (cd "$copy" && cargo test --locked --no-fail-fast -p firmware --lib --test rules -- --test-threads=1) >"$log" 2>&1 || survived=false
  tests=$(failed "$log")
  if [ -z "$tests" ] && ! $survived; then
    # It does not compile without the rule: that is no proof.
    tail -20 "$log" >&2
    echo "\"$name\": does not compile without the rule" >&2
    exit 1
  fi
  if $images && [ "$number" -le 4 ]; then
    (cd "$copy" && cargo images) >"$log.images" 2>&1
    # The tests are those of the sources as they are; only the images lack the rule.
    PINTALLY_IMAGES=$CARGO_TARGET_DIR/images PINTALLY_REQUIRE_EMULATORS=1 PINTALLY_HOSTILE=300 CARGO_TARGET_DIR=$PWD/target \
      cargo test --locked --no-fail-fast -p tests --test emulated >>"$log.images" 2>&1 || true
    tests="$tests $(failed "$log.images" | sed 's/^/image: /; s/ /_/g')"
  fi
  if [ -z "${tests// /}" ]; then
    unnoticed=$((unnoticed + 1))
    tests='**none**'
  fi
  # Word splitting is wanted: one name a word.
  printf '| %s | %s |\n' "$name" "$(echo $tests | sed 's/ /, /g; s/image:_/image: /g')"
done
[ "$unnoticed" = 0 ] || { echo "$unnoticed rules can be removed without any test failing" >&2; exit 1; }
