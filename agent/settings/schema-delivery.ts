/** Keys of the delivery: who is told of alerts, by which ways. Numbers, mail addresses and URLs are veiled: no fault shows them. */
import { choice, group, list, number, onOff, text, whole } from './leaves.js'
import {
  anyWords,
  pathShape,
  pathWords,
  plainText,
  secretPathShape,
  shortName,
  shortNameWords,
} from './patterns.js'

const label = '[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?'
const atom = "[A-Za-z0-9!#$%&'*+/=?^_{|}~-]+"
/** A plain address of RFC 5321: ASCII, nothing quoted. */
export const mailAddress = new RegExp(`^${atom}(\\.${atom})*@${label}(\\.${label})*$`)

export const wayNames = ['sms', 'email', 'webhook'] as const

const veiled = { veiled: true } as const

const way = group('One way to this person.', {
  way: choice('How.', wayNames),
  to: text(
    'Where: a telephone number with + and country code, a mail address, or an https URL.',
    /^[\x21-\x7e]+$/,
    'a telephone number with + and country code, a mail address, or an https URL; without spaces',
    veiled,
  ),
  next_after_min: number('The next way is tried as well when this one has not delivered for so long.', {
    least: 1,
    most: 1440,
    unit: 'minutes',
  }).default(10),
})

const hour = (about: string) => whole(about, { least: 0, most: 23, unit: 'hours' })

const recipient = group('One person or program.', {
  alias: text('Name by which lines, status and commands call them.', shortName, shortNameWords),
  ways: list('Ways to them, in the order in which they are tried.', way, [1, 3], 'ways'),
  quiet_from_h: hour('From this hour of watch time on only high priority is told.').default(22),
  quiet_to_h: hour('Until this hour; the same hour twice: no quiet hours.').default(7),
  least: choice('What is less pressing than this is not told.', ['low', 'normal', 'high']).default('low'),
  daily_line: list(
    'Ways by which a line goes out each day that says that the station lives; by default email, where there is one.',
    choice('A way of this recipient.', wayNames),
    [0, 3],
    'ways',
  ).optional(),
  most_sms_a_day: whole('In any 24 hours, parts counted.', { least: 1, most: 100, unit: 'SMS' }).default(10),
  may_answer: onOff('Whether an SMS from this number with the code shown acknowledges and mutes.').default(
    true,
  ),
})

const date = (about: string) =>
  text(about, /^20\d\d-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])$/, 'a day as 2027-03-31').optional()

const sms = group('The modem that sends SMS.', {
  port: text(
    'Its port for AT commands.',
    /^\/[^\u0000-\u001f\u007f]+$/,
    'a device such as /dev/serial/by-id/…',
  ),
  baud: whole('Speed of the line.', { least: 1200, most: 921_600, unit: 'baud' }).default(115_200),
  pin_file: text(
    'File that holds the PIN of the SIM and nothing else.',
    secretPathShape,
    'the path of a file that holds the PIN, such as /etc/motepost/sim-pin',
    veiled,
  ).optional(),
  valid_until: date('Last day of the SIM; a month before, you are reminded.'),
  credit_check: date('Day on which the credit is to be looked at; from a month before on you are reminded.'),
  cost_cents: number('What one SMS costs, in cents of your money: status counts it.', {
    least: 0,
    most: 1000,
    unit: 'cents',
  }).optional(),
})

const limit = (about: string) => number(about, { least: 5, most: 120, unit: 'seconds' }).default(30)

const mail = group('The server that takes mail.', {
  server: text(
    'Its name.',
    /^[A-Za-z0-9]([A-Za-z0-9.:-]*[A-Za-z0-9])?$/,
    'the name of a host, such as mail.example.org',
  ),
  security: choice(
    'tls from the first byte; starttls, and nothing is sent where the server does not offer it; none only inside your own network.',
    ['tls', 'starttls', 'none'],
  ).default('tls'),
  port: whole('Its port; by default 465 for tls, 587 for starttls, 25 for none.', {
    least: 1,
    most: 65_535,
  }).optional(),
  username: text('User at the server.', plainText, anyWords, veiled).optional(),
  password_file: text(
    'File that holds the password and nothing else.',
    secretPathShape,
    'the path of a file that holds the password, such as /etc/motepost/mail-password',
    veiled,
  ).optional(),
  from: text('Address of the sender.', mailAddress, 'a mail address such as station@example.org', veiled),
  ca_file: text('File with the certificate that vouches for the server.', pathShape, pathWords).optional(),
  limit_s: limit('An attempt that takes longer in all is given up.'),
})

const webhook = group('How webhooks are called.', {
  secret_file: text(
    'File that holds the secret with which messages are signed, and nothing else.',
    secretPathShape,
    'the path of a file that holds the secret, such as /etc/motepost/webhook-secret',
    veiled,
  ).optional(),
  ca_file: text('File with the certificate that vouches for the servers.', pathShape, pathWords).optional(),
  limit_s: limit('An attempt that takes longer in all is given up.'),
})

const template = (about: string) => text(`${about} Fields stand in {braces}.`, plainText, anyWords).optional()

const ofTrouble = {
  trouble: template('Something is wrong.'),
  over: template('It is over.'),
  daily: template('The daily line.'),
}
const ofValue = {
  raised: template('A measured value is past its level.'),
  back: template('It is back.'),
}
const texts = 'Texts of your own in place of the usual ones.'

const parts = {
  recipients: list('Who is told, one to sixteen.', recipient, [1, 16], 'recipients'),
  most_an_hour: whole(
    'Messages to one recipient in an hour, high priority counted apart; what is more becomes one summary.',
    { least: 1, most: 60, unit: 'messages' },
  ).default(6),
  daily_line_h: hour('At this hour of watch time the daily line goes out.').default(7),
  sms: sms.optional(),
  mail: mail.optional(),
  webhook: webhook.prefault({}),
}
const words = 'Who is told of alerts, and how.'

/** The block `delivery` of a station's settings file. */
export const deliveryGroup = group(words, {
  ...parts,
  templates: group(texts, { ...ofValue, ...ofTrouble }).prefault({}),
})

/** The same of a collector, which tells of no measured value. */
export const collectorDeliveryGroup = group(words, {
  ...parts,
  templates: group(texts, ofTrouble).prefault({}),
})
