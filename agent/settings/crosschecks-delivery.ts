import { checkTemplate } from '../delivery/delivery.js'
import { valueText, type KeyPath, type Verdict } from './fault.js'
import { atKey, atValue, valueAt, type Finding, type Look } from './look.js'
import { mailAddress } from './schema-delivery.js'

/** What does not go together among those who are told. No verdict shows a number, an address or a URL. */
export const deliveryFindings = (look: Look): Finding[] => [
  ...recipientFindings(look),
  ...mailFindings(look),
  ...templateFindings(look),
]

const recipientsPath = ['delivery', 'recipients']
const conflict = (wrong: string, advice: string): Verdict => ({ code: 'conflict', wrong, advice })
const wrongText = (wrong: string, advice: string): Verdict => ({ code: 'wrong-text', wrong, advice })

function recipientFindings(look: Look): Finding[] {
  const seen = new Set<string>()
  return look.entries(recipientsPath).flatMap((path) => {
    const alias = look.text([...path, 'alias'])
    const found = [...waysFindings(look, path), ...dailyFindings(look, path)]
    if (alias !== undefined && seen.has(alias))
      found.push(
        atValue(
          [...path, 'alias'],
          conflict(`${valueText(alias)} is the name of another recipient too`, 'give each a name of its own'),
        ),
      )
    if (alias !== undefined) seen.add(alias)
    return found
  })
}

function waysFindings(look: Look, recipient: KeyPath): Finding[] {
  const seen = new Set<string>()
  return look.entries([...recipient, 'ways']).flatMap((path) => {
    const way = look.text([...path, 'way'])
    if (way === undefined) return []
    const found = [...toFindings(look, path, way), ...meansFindings(look, path, way)]
    if (seen.has(way))
      found.push(
        atValue(
          [...path, 'way'],
          conflict(`${way} stands there already`, 'each way stands once a recipient'),
        ),
      )
    seen.add(way)
    return found
  })
}

/** Loopback: what never leaves the board needs no encryption. */
const plainUrl = /^http:\/\/(localhost|127(\.\d{1,3}){3}|\[::1\])([:/]|$)/
/** ITU-T E.164: + and at most 15 digits, the first of them no zero. */
const phoneNumber = /^\+[1-9]\d{7,14}$/

function toFindings(look: Look, path: KeyPath, way: string): Finding[] {
  const to = look.text([...path, 'to'])
  const verdict = to === undefined ? undefined : toVerdict(way, to)
  return verdict ? [atValue([...path, 'to'], verdict)] : []
}

function toVerdict(way: string, to: string): Verdict | undefined {
  if (way === 'sms' && !phoneNumber.test(to))
    return wrongText(
      'this is no telephone number as it is called from everywhere',
      'write + and the country code, then digits only: 8 to 15 in all, without spaces, brackets and leading zeros',
    )
  if (way === 'email' && !mailAddress.test(to))
    return wrongText('this is no mail address', 'write one address alone, as name@example.org')
  return way === 'webhook' ? urlVerdict(to) : undefined
}

function urlVerdict(to: string): Verdict | undefined {
  const url = URL.canParse(to) ? new URL(to) : undefined
  if (url === undefined || !/^https?:$/.test(url.protocol))
    return wrongText('this is no URL of a webhook', 'write https://host/path')
  if (url.username || url.password)
    return {
      code: 'secret',
      wrong: 'user and password in a URL are shown around',
      advice: 'take them out; delivery.webhook.secret_file signs the messages',
    }
  if (url.protocol === 'http:' && !plainUrl.test(to))
    return wrongText(
      'over http everybody on the way reads along',
      'write https://; http:// is only for this board itself (localhost)',
    )
  return undefined
}

const means = {
  sms: ['sms', 'name the port of a modem: sms: { port: /dev/serial/by-id/… }'],
  email: ['mail', 'name a mail server: mail: { server: …, from: … }'],
} as const

function meansFindings(look: Look, path: KeyPath, way: string): Finding[] {
  if (way !== 'sms' && way !== 'email') return []
  const [key, advice] = means[way]
  if (look.has(['delivery', key])) return []
  return [
    atValue([...path, 'way'], {
      code: 'missing',
      wrong: `${way} needs delivery.${key}, which is missing`,
      advice,
    }),
  ]
}

function dailyFindings(look: Look, path: KeyPath): Finding[] {
  const ways = look.entries([...path, 'ways']).map((way) => look.text([...way, 'way']))
  return listed(look, [...path, 'daily_line']).flatMap((at) => {
    const way = look.text(at)
    if (way === undefined || ways.includes(way)) return []
    return [
      atValue(at, conflict(`${way} is no way of this recipient`, 'name it below ways, or take it away here')),
    ]
  })
}

/** The paths of a list's entries that are plain values. */
function listed(look: Look, path: KeyPath): KeyPath[] {
  const list = valueAt(look.root, path)
  return Array.isArray(list) ? list.map((_, i) => [...path, i]) : []
}

function mailFindings(look: Look): Finding[] {
  const at = (key: string): KeyPath => ['delivery', 'mail', key]
  const needs = (key: string, other: string): Finding[] =>
    look.has(at(other)) && !look.has(at(key))
      ? [
          {
            ...atKey(at(key), {
              code: 'missing',
              wrong: `missing: ${other} needs it`,
              advice: 'name both or none',
            }),
            wants: [key],
          },
        ]
      : []
  return [...needs('username', 'password_file'), ...needs('password_file', 'username')]
}

function templateFindings(look: Look): Finding[] {
  const group = ['delivery', 'templates']
  return look.keys(group).flatMap((kind) => {
    const text = look.text([...group, kind])
    const checked = text === undefined ? undefined : checkTemplate(text)
    if (!checked || checked.ok) return []
    return [
      atValue([...group, kind], wrongText(checked.words, 'correct it, or take it away for the usual text')),
    ]
  })
}
