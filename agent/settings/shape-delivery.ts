import type { TemplateKind } from '../delivery/delivery.js'
import type { SettingsFile } from './schema.js'

export type WaySettings = 'sms' | 'email' | 'webhook'

export interface RecipientSettings {
  readonly alias: string
  /** In the order in which they are tried. */
  readonly ways: readonly {
    readonly way: WaySettings
    /** Number, mail address or URL; never to be shown. */
    readonly to: string
    readonly nextAfterMinutes: number
  }[]
  /** Of watch time; the same hour twice: no quiet hours. */
  readonly quietFromHours: number
  readonly quietToHours: number
  readonly least: 'low' | 'normal' | 'high'
  readonly dailyLine: readonly WaySettings[]
  readonly mostSmsADay: number
  readonly mayAnswer: boolean
}

export interface SmsSettings {
  readonly port: string
  readonly baud: number
  readonly pinFile?: string
  /** YYYY-MM-DD. */
  readonly validUntil?: string
  readonly creditCheck?: string
  readonly costCents?: number
}

export interface MailSettings {
  readonly server: string
  readonly security: 'tls' | 'starttls' | 'none'
  readonly port: number
  readonly username?: string
  readonly passwordFile?: string
  readonly from: string
  readonly caFile?: string
  readonly limitSeconds: number
}

export interface WebhookSettings {
  readonly secretFile?: string
  readonly caFile?: string
  readonly limitSeconds: number
}

export interface DeliverySettings {
  readonly recipients: readonly RecipientSettings[]
  readonly mostAnHour: number
  readonly dailyLineHours: number
  readonly sms?: SmsSettings
  readonly mail?: MailSettings
  readonly webhook: WebhookSettings
  /** Texts of the owner's, which `checkTemplate` takes. */
  readonly templates: Readonly<Partial<Record<TemplateKind, string>>>
}

type DeliveryFile = NonNullable<SettingsFile['delivery']>

/** RFC 8314 and RFC 6409 for the first two, RFC 5321 for the last. */
const usualPorts = { tls: 465, starttls: 587, none: 25 } as const

export function deliveryOf(file: DeliveryFile): DeliverySettings {
  return {
    recipients: file.recipients.map(recipientOf),
    mostAnHour: file.most_an_hour,
    dailyLineHours: file.daily_line_h,
    ...(file.sms ? { sms: smsOf(file.sms) } : {}),
    ...(file.mail ? { mail: mailOf(file.mail) } : {}),
    webhook: given({
      secretFile: file.webhook.secret_file,
      caFile: file.webhook.ca_file,
      limitSeconds: file.webhook.limit_s,
    }),
    templates: given(file.templates),
  }
}

/** Without the keys that are undefined. */
const given = <T extends object>(value: T): T =>
  Object.fromEntries(Object.entries(value).filter(([, one]) => one !== undefined)) as T

const recipientOf = (file: DeliveryFile['recipients'][number]): RecipientSettings => ({
  alias: file.alias,
  ways: file.ways.map(({ way, to, next_after_min }) => ({ way, to, nextAfterMinutes: next_after_min })),
  quietFromHours: file.quiet_from_h,
  quietToHours: file.quiet_to_h,
  least: file.least,
  dailyLine: file.daily_line ?? (file.ways.some(({ way }) => way === 'email') ? ['email'] : []),
  mostSmsADay: file.most_sms_a_day,
  mayAnswer: file.may_answer,
})

const smsOf = (file: NonNullable<DeliveryFile['sms']>): SmsSettings =>
  given({
    port: file.port,
    baud: file.baud,
    pinFile: file.pin_file,
    validUntil: file.valid_until,
    creditCheck: file.credit_check,
    costCents: file.cost_cents,
  })

const mailOf = (file: NonNullable<DeliveryFile['mail']>): MailSettings =>
  given({
    server: file.server,
    security: file.security,
    port: file.port ?? usualPorts[file.security],
    username: file.username,
    passwordFile: file.password_file,
    from: file.from,
    caFile: file.ca_file,
    limitSeconds: file.limit_s,
  })

/** What stands in place of whatever tells who somebody is. */
export const notShown = '(not shown)'

/** For lines, journals and screens: without numbers, addresses and URLs. */
export function veiledDelivery(delivery: DeliverySettings): DeliverySettings {
  const { recipients, mail } = delivery
  const veiledWays = (ways: RecipientSettings['ways']) => ways.map((way) => ({ ...way, to: notShown }))
  return {
    ...delivery,
    recipients: recipients.map((one) => ({ ...one, ways: veiledWays(one.ways) })),
    ...(mail
      ? { mail: { ...mail, from: notShown, ...(mail.username === undefined ? {} : { username: notShown }) } }
      : {}),
  }
}
