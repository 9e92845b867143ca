/** Tries the ways to those who are told, and sends nothing by any of them. */
import { tryMailServer } from '../hardware/mail.js'
import { canSend, modemWords } from '../hardware/modem-words.js'
import { tryWebhook } from '../hardware/webhook.js'
import type { DeliverySettings, MailSettings, Settings, SmsSettings } from '../settings/settings.js'
import { faultText, type Outcome } from '../terms/terms.js'
import type { CheckItem } from './check.js'
import { mailOptions, modemOf, modemPortOf, webhookOptions } from './compose-delivery.js'

/** @param agentRuns it may hold the port of the modem */
export async function tryDelivery(settings: Settings, agentRuns: boolean): Promise<CheckItem[]> {
  const { delivery } = settings
  if (!delivery)
    return [{ what: 'told', well: true, words: 'nobody: alerts stand in status and in the records' }]
  const names = delivery.recipients.map(({ alias }) => alias).join(', ')
  return [
    { what: 'told', well: true, words: names },
    ...(delivery.sms ? [await tryModem(settings, delivery.sms, agentRuns)] : []),
    ...(delivery.mail ? [await tryMail(delivery.mail)] : []),
    ...(await tryWebhooks(delivery)),
  ]
}

const item = (what: string, words: string, outcome: Outcome<unknown>): CheckItem =>
  outcome.ok ? { what, well: true, words } : { what, well: false, words: faultText(outcome.fault) }

/** Asks the modem for SIM, network and signal; a PIN is not entered. */
async function tryModem(settings: Settings, sms: SmsSettings, agentRuns: boolean): Promise<CheckItem> {
  const modem = modemOf(sms, settings.data.folder, modemPortOf(settings)!)
  if (!modem.ok) return item('modem', '', modem)
  const view = await modem.value.look()
  await modem.value.close()
  if (view.ok)
    return {
      what: 'modem',
      well: canSend(view.value.registration),
      words: modemWords(view.value, 'not used'),
    }
  if (agentRuns && view.fault.detail.includes('busy'))
    return { what: 'modem', well: true, words: 'the running agent uses it now; see motepost status' }
  return item('modem', '', view)
}

/** Greeting, encryption and login. */
async function tryMail(mail: MailSettings): Promise<CheckItem> {
  const options = mailOptions(mail)
  const tried = options.ok ? await tryMailServer(options.value) : options
  const lets = mail.username === undefined ? 'greets us' : 'lets us in'
  return item('mail', `${mail.server}:${mail.port} ${lets}`, tried)
}

/** Name and connection only; recipients by their alias. */
async function tryWebhooks({ recipients, webhook }: DeliverySettings): Promise<CheckItem[]> {
  const options = webhookOptions(webhook)
  const items: CheckItem[] = []
  for (const { alias, ways } of recipients)
    for (const { to } of ways.filter(({ way }) => way === 'webhook')) {
      const tried = options.ok ? await tryWebhook(to, options.value) : options
      items.push(item('webhook', `that of ${alias} can be reached`, tried))
    }
  return items
}
