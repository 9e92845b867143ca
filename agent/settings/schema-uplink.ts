/** Keys of the uplink. */
import { choice, group, list, number, numberChoice, text, whole, zeroOrWhole } from './leaves.js'
import { anyWords, pathShape, pathWords, plainText, secretPathShape, urlShape } from './patterns.js'

const ladderStep = group('One step.', {
  step: choice('What the command does; each at most once, in this order.', [
    'interface',
    'modem-reset',
    'modem-power',
    'reboot',
  ]),
  command: list(
    'The program and its words, one by one; no shell reads them.',
    text('A word.', plainText, anyWords),
    [1, 16],
    'words',
  ),
  after_min: number('Without any answer for so long the command is run.', {
    least: 10,
    most: 10_080,
    unit: 'minutes',
  }).default(60),
  every_min: number('At most so often.', { least: 10, most: 1440, unit: 'minutes' }).default(180),
  most_a_day: whole('At most so many times in 24 hours.', { least: 1, most: 24, unit: 'times' }).default(4),
  limit_s: number('A command that takes longer is stopped.', {
    least: 1,
    most: 300,
    unit: 'seconds',
  }).default(60),
})

const filePath = (words: string) => text(words, pathShape, pathWords).optional()

export const brokerProtocol = numberChoice(
  'Version of MQTT: 5, or 4 for brokers that only know 3.1.1.',
  [5, 4],
).default(5)

/** Who one is at a broker, and who vouches for it: of a station and of a collector. */
export const brokerLogin = {
  username: text('User at the broker.', plainText, anyWords).optional(),
  password_file: text(
    'File that holds the password and nothing else.',
    secretPathShape,
    'the path of a file that holds the password, such as /etc/motepost/broker-password',
    { veiled: true },
  ).optional(),
  ca_file: filePath('File with the certificate that vouches for the broker.'),
}

export const uplinkGroup = group('Where records are sent.', {
  mode: choice('none keeps everything here; mqtt sends it to a broker.', ['none', 'mqtt']).optional(),
  url: text(
    'Address of the broker.',
    urlShape,
    'mqtt://host:port or mqtts://host:port (mqtts is encrypted), without user and password',
  ).optional(),
  protocol: brokerProtocol,
  client_id: text(
    'Name at the broker; by default motepost-<group>-<station>-<store>. Never the same for two stations.',
    /^[\x21-\x7e]{1,100}$/,
    '1 to 100 plain characters without spaces',
  ).optional(),
  ...brokerLogin,
  cert_file: filePath('File with the certificate of this station.'),
  key_file: filePath('File with the key to cert_file.'),
  pack_every_min: number('Records go out in packs, so often; under 1 only for trials.', {
    least: 0.05,
    most: 1440,
    unit: 'minutes',
  }).default(60),
  // MQTT allows 65535. No link keeps a silent connection for half a day (common practice, no source), and the lower
  // limit catches 60000, which is always a minute in milliseconds.
  keepalive_s: zeroOrWhole('Sign of life on a connection that is kept.', {
    least: 900,
    most: 43_200,
    unit: 'seconds',
  }).default(1200),
  answer_limit_s: number('An answer of the broker that takes longer counts as none.', {
    least: 5,
    most: 300,
    unit: 'seconds',
  }).default(60),
  receipts: choice(
    'required: a record is safe away when a collector says so; none: when the broker has it.',
    ['required', 'none'],
  ).default('required'),
  encoding: choice('Form of the packs.', ['cbor', 'json']).default('cbor'),
  connection: choice(
    'kept stays connected; per-pack connects for each pack (costs less on a metered link).',
    ['kept', 'per-pack'],
  ).default('kept'),
  daily_budget_kb: zeroOrWhole(
    'Bytes in 24 hours, all in; old records wait when half of it is used. 0: no limit.',
    { least: 400, most: 10_000_000, unit: 'kilobytes' },
  ).default(5000),
  resend_after_min: number('What no receipt names after so long is sent again.', {
    least: 0.05,
    most: 1440,
    unit: 'minutes',
  }).default(120),
  ladder: list(
    'What is done about a link that is up and carries nothing, the gentlest first.',
    ladderStep,
    [0, 4],
    'steps',
  ).default([]),
})
