/** Who is told and by which ways, made of the settings. What is missing for one way stops neither the others nor the station. */
import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import {
  checkTemplate,
  usualDelivery,
  type ModemPorts,
  type Recipient,
  type SimDates,
  type Template,
  type WayName,
} from '../delivery/delivery.js'
import { mailWay, type MailOptions } from '../hardware/mail.js'
import { Modem, ModemPort, modemWords, smsWay, usualModem } from '../hardware/modem.js'
import { systemRandom } from '../hardware/random.js'
import { serialLine } from '../hardware/serial-line.js'
import { stateFile } from '../hardware/state-file.js'
import { webhookWay, type WebhookOptions } from '../hardware/webhook.js'
import type {
  DeliverySettings,
  MailSettings,
  RecipientSettings,
  Settings,
  SmsSettings,
  WebhookSettings,
} from '../settings/settings.js'
import type { StationOptions, StationPorts } from '../station/station.js'
import { bad, good, type Fault, type LocalDay, type MessageWay, type Outcome } from '../terms/terms.js'

/**
 * Undefined where the settings name nobody.
 * @param standardOffsetMinutes minutes of standard time ahead of UTC
 */
export function deliveryOptions(
  settings: Pick<Settings, 'delivery'> & { readonly station: Pick<Settings['station'], 'timeZone'> },
  standardOffsetMinutes: number,
): StationOptions['telling'] {
  const { delivery, station } = settings
  if (!delivery) return undefined
  const { sms, mostAnHour, dailyLineHours } = delivery
  return {
    delivery: {
      ...usualDelivery,
      recipients: delivery.recipients.map(recipientOf),
      mostAnHour,
      dailyLineHour: dailyLineHours,
      ...(sms?.costCents === undefined ? {} : { smsCostCents: sms.costCents }),
    },
    place: {
      ...(station.timeZone === undefined ? {} : { timeZone: station.timeZone }),
      standardOffsetMinutes,
    },
    templates: templatesOf(delivery),
    ...(sms ? { sim: simDatesOf(sms) } : {}),
  }
}

function simDatesOf({ validUntil, creditCheck }: SmsSettings): SimDates {
  return {
    ...(validUntil === undefined ? {} : { validUntil: validUntil as LocalDay }),
    ...(creditCheck === undefined ? {} : { creditCheck: creditCheck as LocalDay }),
  }
}

function recipientOf(one: RecipientSettings): Recipient {
  const { quietFromHours: fromHour, quietToHours: toHour } = one
  return {
    alias: one.alias,
    ways: one.ways.map(({ way, to, nextAfterMinutes }) => ({
      way,
      to,
      nextAfterSeconds: nextAfterMinutes * 60,
    })),
    ...(fromHour === toHour ? {} : { quiet: { fromHour, toHour } }),
    least: one.least,
    dailyLine: one.dailyLine,
    mostSmsADay: one.mostSmsADay,
    mayAnswer: one.mayAnswer,
  }
}

/** The settings were checked: each of them can be used. */
function templatesOf({ templates }: DeliverySettings): Record<string, Template> {
  const checked = Object.entries(templates).map(([kind, text]) => [kind, checkTemplate(text)] as const)
  return Object.fromEntries(checked.flatMap(([kind, one]) => (one.ok ? [[kind, one.template]] : [])))
}

/** The modem's port has one owner, whoever asks for it: messages, and the clock where it names the same port. */
export function modemPortOf({ delivery }: Pick<Settings, 'delivery'>): ModemPort | undefined {
  return delivery?.sms && new ModemPort(serialLine(delivery.sms.port, delivery.sms.baud))
}

/**
 * The ways that the recipients name; undefined where there are none.
 * @param modemPort as modemPortOf made it of the same settings
 */
export function deliveryPorts(
  settings: Pick<Settings, 'delivery'> & { readonly data: Pick<Settings['data'], 'folder'> },
  modemPort: ModemPort | undefined,
): StationPorts['telling'] {
  const { delivery } = settings
  if (!delivery) return undefined
  const { sms, mail, webhook } = delivery
  const modem = sms && modemPort && modemOf(sms, settings.data.folder, modemPort)
  const ways = new Map<WayName, MessageWay>()
  if (modem) ways.set('sms', modem.ok ? smsWay(modem.value) : brokenWay('sms', modem.fault))
  if (mail) ways.set('email', wayOf('email', mailOptions(mail), mailWay))
  ways.set('webhook', wayOf('webhook', webhookOptions(webhook), webhookWay))
  return {
    ways,
    random: systemRandom,
    ...(modem?.ok ? { modem: modemPorts(modem.value) } : {}),
  }
}

const wayOf = <T>(name: WayName, options: Outcome<T>, make: (options: T) => MessageWay): MessageWay =>
  options.ok ? make(options.value) : brokenWay(name, options.fault)

/** It says at each attempt what it lacks; the next way is then tried. */
const brokenWay = (name: WayName, fault: Fault): MessageWay => ({
  name,
  send: () => Promise.resolve({ ok: false, fault }),
})

/** What was tried of the PIN is kept beside the records: a wrong one is never tried again, whatever boots in between. */
export function modemOf({ pinFile }: SmsSettings, dataFolder: string, port: ModemPort): Outcome<Modem> {
  const pin = fileText(pinFile)
  if (!pin.ok) return pin
  const memory = stateFile(join(dataFolder, 'sim.json'))
  const sim = pin.value === undefined ? {} : { sim: { pin: pin.value, memory } }
  return good(new Modem(port, { ...usualModem, ...sim }))
}

const modemPorts = (modem: Modem): ModemPorts => ({
  texts: (heard) => modem.readTexts(heard),
  standing: async (link) => {
    const view = await modem.look()
    return view.ok ? good(modemWords(view.value, link)) : view
  },
})

/** Fault: named-file-missing where a file cannot be read. */
export function mailOptions(mail: MailSettings): Outcome<MailOptions> {
  const [password, ca] = [fileText(mail.passwordFile), fileText(mail.caFile)]
  if (!password.ok) return password
  if (!ca.ok) return ca
  const { server: host, port, security, username, from, limitSeconds } = mail
  return good({ host, port, security, username, password: password.value, from, ca: ca.value, limitSeconds })
}

/** Fault: named-file-missing where a file cannot be read. */
export function webhookOptions({
  secretFile,
  caFile,
  limitSeconds,
}: WebhookSettings): Outcome<WebhookOptions> {
  const [secret, ca] = [fileText(secretFile), fileText(caFile)]
  if (!secret.ok) return secret
  return ca.ok ? good({ secret: secret.value, ca: ca.value, limitSeconds }) : ca
}

/** A password or certificate that the settings name, if they do. Fault: named-file-missing where it cannot be read. */
export function fileText(file: string | undefined): Outcome<string | undefined> {
  if (file === undefined) return good(undefined)
  try {
    return good(readFileSync(file, 'utf8').trimEnd())
  } catch (error) {
    return bad('named-file-missing', `${file} (${(error as NodeJS.ErrnoException).code ?? 'cannot be read'})`)
  }
}
